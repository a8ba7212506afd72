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

// usualStale is how old a message may be where nobody says.
const usualStale = 2 * time.Minute

// Source is a quantity in the messages of a topic, over a connection of its own. It
// keeps the newest message only.
type Source struct {
	q      sensor.Quantity
	conf   sensor.MQTT
	stale  time.Duration
	next   chan sensor.Reading // the newest message or trouble, until it is read
	client *Client             // nil when its files cannot be used

	mu      sync.Mutex
	last    time.Time // when something was received, or when we began
	trouble error     // what stands in the way of messages; nil = nothing
}

// New reads q from a topic.
func New(q sensor.Quantity, conf sensor.MQTT) *Source {
	s := newSource(q, conf)
	opt, err := options(conf)
	if err != nil {
		s.changed(false, err)
		return s
	}
	opt.OnMessage, opt.OnChange = s.message, s.changed
	s.client = Connect(opt)
	return s
}

// newSource returns a source without a connection.
func newSource(q sensor.Quantity, conf sensor.MQTT) *Source {
	return &Source{q: q, conf: conf, stale: cmp.Or(time.Duration(conf.StaleAfter), usualStale),
		next: make(chan sensor.Reading, 1), trouble: fault("wait"), last: time.Now()}
}

// MaxWait returns how long a reading may wait for the next message.
func (s *Source) MaxWait() time.Duration { return s.stale + time.Second }

// Read waits for the next message, until ctx ends or the topic counts as stale.
// A message that arrived since the last reading is returned at once, and so is the
// news that the broker is away or refuses us.
func (s *Source) Read(ctx context.Context) sensor.Reading {
	s.mu.Lock()
	fresh, cancel := context.WithTimeout(ctx, max(s.stale-time.Since(s.last), 0))
	s.mu.Unlock()
	defer cancel()
	for {
		select {
		case r := <-s.next:
			if time.Since(r.Wall) <= s.stale {
				return r
			}
		case <-fresh.Done():
			s.mu.Lock()
			defer s.mu.Unlock()
			return s.missing()
		}
	}
}

// Close ends the connection. The source cannot be read any more.
func (s *Source) Close() error {
	if s.client == nil {
		return nil
	}
	return s.client.Close()
}

// missing says why there is no message; s.mu is held.
func (s *Source) missing() sensor.Reading {
	err := sensor.Fault(sensor.Stale, "topic.silent", "topic", s.conf.Topic, "span", time.Since(s.last))
	if s.trouble != nil {
		err = sensor.Fault(sensor.Missing, "broker", "broker", s.conf.Broker, "why", s.trouble)
	}
	return sensor.Taken(s.q, 0, 0, err)
}

// changed keeps what stands in the way of messages, and has it read at once.
func (s *Source) changed(_ bool, trouble error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if fmt.Sprint(trouble) == fmt.Sprint(s.trouble) {
		return
	}
	if s.trouble = trouble; trouble != nil {
		s.put(s.missing())
	}
}

// put lets a reading be read next, in the place of an older one; s.mu is held.
func (s *Source) put(r sensor.Reading) {
	select {
	case <-s.next:
	default:
	}
	s.next <- r
}

// message makes a reading of a payload.
func (s *Source) message(_ string, payload []byte) {
	v, err := parsePayload(payload, s.conf.Field, s.conf.Unit, s.q)
	switch {
	case err == nil && s.q == sensor.Distance:
		v, err = s.conf.Apply(v, sensor.ReachOf(&s.conf))
	case s.q == sensor.Temperature:
		v += s.conf.OffsetC
	}
	r := sensor.Taken(s.q, v, 0, err)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = r.Wall
	s.put(r)
}
