package app

import (
	"tidemark/alert/channel"
	"tidemark/sensor/mqtt"
)

// DialBroker connects a channel to its MQTT broker with the client that the sensors
// use too.
func DialBroker(o channel.BrokerOptions) channel.Broker {
	opt := mqtt.Options{Broker: o.URL, User: o.User, TLS: o.TLS, OnChange: o.OnChange, Topic: o.Topic, OnMessage: o.OnMessage}
	opt.Will.Topic, opt.Will.Payload = o.WillTopic, o.WillPayload
	if o.Password != "" {
		opt.Password = func() ([]byte, error) { return []byte(o.Password), nil }
	}
	return mqtt.Connect(opt)
}
