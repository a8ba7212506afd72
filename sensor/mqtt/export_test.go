package mqtt

import (
	"github.com/eclipse/paho.golang/paho"

	"tidemark/sensor"
)

// NewOffline returns a Source on a Client without a broker, and what lets a message
// arrive for it.
func NewOffline(q sensor.Quantity, conf sensor.MQTT, clock sensor.Clock) (s *Source, arrive func(payload string)) {
	clients := NewClients()
	c := offline("")
	clients.open[sensor.MQTT{}] = c
	s = New(clients, q, conf, clock)
	c.topics[conf.Topic].tell("")
	return s, func(payload string) {
		_, _ = c.receive(paho.PublishReceived{Packet: &paho.Publish{Topic: conf.Topic, Payload: []byte(payload)}})
	}
}

// BackOff is the pause before connection attempt n, and Explain the words of an
// error of connecting.
var (
	BackOff = backOff
	Explain = explain
)
