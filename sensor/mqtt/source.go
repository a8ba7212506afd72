package mqtt

import (
	"cmp"
	"context"
	"crypto/tls"
	"fmt"
	"strings"
	"sync"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/credential"
)

// options say how to reach the broker of a source.
func options(conf sensor.MQTT) (Options, error) {
	if conf.User == "" && strings.HasPrefix(conf.Broker, "mqtts:") {
		conf.CAFile = cmp.Or(conf.CAFile, conf.Login.CAFile)
	}
	if conf.User == "" {
		conf.User, conf.PasswordFile = conf.Login.User, conf.Login.PasswordFile
	}
	trust, err := credential.Trust(conf.CAFile)
	if err == nil && conf.CertFile != "" {
		trust.Certificates = make([]tls.Certificate, 1)
		if trust.Certificates[0], err = tls.LoadX509KeyPair(conf.CertFile, conf.KeyFile); err != nil {
			err = fmt.Errorf("cert_file and key_file cannot be used: %w", err)
		}
	}
	opt := Options{Broker: conf.Broker, User: conf.User, TLS: trust, Topic: conf.Topic}
	switch {
	case conf.PasswordFile != "":
		opt.Password = func() ([]byte, error) { // read again each time, so that a wrong one can be put right
			secret, err := credential.Secret(conf.PasswordFile)
			if err != nil {
				err = fmt.Errorf("password_file: %w", err)
			}
			return []byte(secret), err
		}
	case conf.Login.Password != "" && conf.User == conf.Login.User:
		opt.Password = func() ([]byte, error) { return []byte(conf.Login.Password), nil }
	}
	return opt, err
}

// Source is a quantity in the messages of a topic, over a connection of its own. It
// keeps the newest message only.
type Source struct {
	q      sensor.Quantity
	conf   sensor.MQTT
	stale  time.Duration // how old a message may be
	client *Client       // nil when its files cannot be used

	mu      sync.Mutex
	message sensor.Reading // the newest, without a Status once it was read
	last    time.Time      // when something was received, or when we began
	trouble error          // what stands in the way of messages; nil = nothing
}

// New reads q from a topic.
func New(q sensor.Quantity, conf sensor.MQTT) *Source {
	s := newSource(q, conf)
	opt, err := options(conf)
	if err != nil {
		s.trouble = err
		return s
	}
	opt.OnMessage, opt.OnChange = s.take, s.changed
	s.client = Connect(opt)
	return s
}

// newSource returns a source without a connection.
func newSource(q sensor.Quantity, conf sensor.MQTT) *Source {
	stale, _ := time.ParseDuration(cmp.Or(conf.StaleAfter, "2m")) // the configuration was checked
	return &Source{q: q, conf: conf, stale: stale, last: time.Now()}
}

// Read returns the newest message, once. It does not wait: without one it says why there
// is none, if that is known, and after a while that nothing comes.
func (s *Source) Read(context.Context) sensor.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.message
	s.message = sensor.Reading{}
	switch silent := time.Since(s.last); {
	case r.Status != "" && silent <= max(s.stale, time.Minute): // a reader comes once a minute at least
		return r
	case s.trouble != nil:
		return sensor.Taken(s.q, 0, 0, sensor.Fault(sensor.Missing, "broker", "broker", s.conf.Broker, "why", s.trouble))
	case silent >= s.stale:
		return sensor.Taken(s.q, 0, 0, sensor.Fault(sensor.Stale, "topic.silent", "topic", s.conf.Topic, "span", silent))
	}
	return s.message
}

// Close ends the connection. The source cannot be read any more.
func (s *Source) Close() error {
	if s.client == nil {
		return nil
	}
	return s.client.Close()
}

// changed keeps what stands in the way of messages.
func (s *Source) changed(_ bool, trouble error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.trouble = trouble
}

// take makes a reading of a message.
func (s *Source) take(_ string, payload []byte) {
	v, err := parsePayload(payload, s.conf.Field, s.conf.Unit, s.q)
	switch {
	case err == nil && s.q == sensor.Distance:
		v, err = s.conf.Apply(v, sensor.ReachOf(&s.conf))
	case s.q == sensor.Temperature:
		v += s.conf.OffsetC
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.message = sensor.Taken(s.q, v, 0, err)
	s.last = s.message.Wall
}
