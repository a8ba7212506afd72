package app

import (
	"errors"
	"maps"
	"net/url"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/mqtt"
	"tidemark/sensor/survey"
)

// listenFor is how long brokers are listened to after the last look for sensors.
const listenFor = 10 * time.Minute

// brokers are those that the settings name, by address, each as a sensor at it would log
// in.
func brokers(cfg *config.Config) map[string]sensor.MQTT {
	out := map[string]sensor.MQTT{}
	for _, v := range cfg.Vessels {
		for _, s := range v.Sensors() {
			if m, is := s.Config.(*sensor.MQTT); is {
				out[m.Broker] = sensor.MQTT{Broker: m.Broker, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, Login: m.Login}
			}
		}
	}
	for _, c := range cfg.Channels {
		if c.Kind == alert.MQTTChannel {
			login, _ := cfg.Login(c.URL)
			out[c.URL] = sensor.MQTT{Broker: c.URL, Login: login}
		}
	}
	return out
}

// listen begins to listen to the brokers, or goes on. s.mu is held.
func (s *setup) listen() {
	for address, b := range brokers(s.app.opt.Config) {
		if s.listeners[address] == nil {
			s.listeners[address] = mqtt.Listen(b)
		}
	}
	if s.idle == nil {
		s.idle = time.AfterFunc(listenFor, func() { _ = s.stopListening() }) // a goodbye that fails loses nothing
	}
	s.idle.Reset(listenFor)
}

// stopListening ends the listening.
func (s *setup) stopListening() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	for _, l := range s.listeners {
		err = errors.Join(err, l.Close())
	}
	clear(s.listeners)
	if s.idle != nil {
		s.idle.Stop()
	}
	return err
}

// heard are the numbers of topics that may be sensors, as a look at the buses finds
// them; used names who reads one already.
func (s *setup) heard(used map[string]string) []survey.Found {
	var out []survey.Found
	for _, address := range slices.Sorted(maps.Keys(s.listeners)) {
		host := address
		if u, err := url.Parse(address); err == nil {
			host = u.Host
		}
		bus, do := sensor.Say("scan.mqtt", "host", host), []string(nil)
		heard, trouble := s.listeners[address].Heard()
		if len(heard) == 0 && trouble == nil {
			do = []string{"scan.mqtt.none"}
		}
		if len(heard) == 0 || trouble != nil {
			out = append(out, survey.Found{Bus: bus, Result: survey.Result{Problem: trouble, Advice: do}})
		}
		for _, h := range heard {
			what := h.Config.Topic
			if h.Config.Field != "" {
				what += " " + h.Config.Field
			}
			role := map[sensor.Quantity]string{sensor.Distance: "height", sensor.Temperature: "air", sensor.Humidity: "humidity"}[h.Quantity]
			out = append(out, survey.Found{Bus: bus, Place: "MQTT " + host, What: sensor.Say("scan.topic", "topic", what), UsedBy: used[sensor.Flow(&h.Config)],
				Result: survey.Result{Role: role, Config: &h.Config, Quantity: h.Quantity, Value: h.Value, Usable: 1}})
		}
	}
	return out
}
