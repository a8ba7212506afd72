package app

import (
	"errors"
	"net/url"
	"time"

	"tidemark/alert"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/mqtt"
	"tidemark/sensor/survey"
)

// listenFor is how long brokers are listened to after the last look for sensors.
const listenFor = 10 * time.Minute

// listening holds who listens to the household's brokers while somebody looks for
// sensors, and when that ends. The lock of setup guards it.
type listening struct {
	at   map[string]*mqtt.Listener
	idle *time.Timer
}

// brokers are those that the settings name, each as a sensor at it would log in.
func brokers(cfg *config.Config) (out []sensor.MQTT) {
	known := map[string]bool{}
	add := func(m sensor.MQTT) {
		if !known[m.Broker] {
			known[m.Broker] = true
			out = append(out, m)
		}
	}
	for _, c := range cfg.Channels {
		if c.Kind == alert.MQTTChannel {
			login, _ := cfg.Login(c.URL)
			add(sensor.MQTT{Broker: c.URL, Login: login})
		}
	}
	for _, v := range cfg.Vessels {
		for _, s := range v.Sensors() {
			if m, is := s.Config.(*sensor.MQTT); is {
				add(sensor.MQTT{Broker: m.Broker, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, Login: m.Login})
			}
		}
	}
	return out
}

// listen begins to listen to the brokers, or goes on.
func (s *setup) listen() {
	if s.listening.at == nil {
		s.listening.at = map[string]*mqtt.Listener{}
	}
	for _, b := range brokers(s.app.opt.Config) {
		if s.listening.at[b.Broker] == nil {
			s.listening.at[b.Broker] = mqtt.Listen(b)
		}
	}
	if len(s.listening.at) > 0 && s.listening.idle == nil {
		s.listening.idle = time.AfterFunc(listenFor, func() { _ = s.stopListening() }) // a goodbye that fails loses nothing
	} else if s.listening.idle != nil {
		s.listening.idle.Reset(listenFor)
	}
}

// stopListening ends the listening.
func (s *setup) stopListening() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	for _, l := range s.listening.at {
		err = errors.Join(err, l.Close())
	}
	if s.listening.idle != nil {
		s.listening.idle.Stop()
	}
	s.listening = listening{}
	return err
}

// heard are the numbers of topics that may be sensors, as a look at the buses finds
// them; used names who reads one already.
func (s *setup) heard(used map[string]string) []survey.Found {
	var out []survey.Found
	for _, b := range brokers(s.app.opt.Config) {
		host := b.Broker
		if u, err := url.Parse(b.Broker); err == nil {
			host = u.Host
		}
		bus, heard, trouble, do := sensor.Say("scan.mqtt", "host", host), []mqtt.Heard(nil), error(nil), []string(nil)
		if l := s.listening.at[b.Broker]; l != nil {
			heard, trouble = l.Heard()
		}
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
