package remote

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"tidemark/sensor"
)

// Options says which messages to read.
type Options struct {
	Broker       string // mqtt://host:1883 or mqtts://host:8883
	Topic        string
	Field, Unit  string // see ParsePayload
	User         string
	PasswordFile string
	CAFile       string // PEM; empty = the system's authorities
	CertFile     string // PEM, with KeyFile: our own certificate
	KeyFile      string
	StaleAfter   time.Duration // 0 = two minutes
	MinMM, MaxMM float64       // limits of a distance; 0 = 5 and 4000
	Offset       float64       // added to each value, in the unit of the quantity
	Clock        sensor.Clock
}

// MQTT is a quantity in the messages of a topic.
type MQTT struct {
	q   sensor.Quantity
	opt Options

	started sync.Once
	cancel  context.CancelFunc
	manager *autopaho.ConnectionManager
	arrived chan struct{} // holds a token while a message waits to be read
	upset   chan struct{} // holds a token while a new trouble waits to be told

	mu      sync.Mutex
	latest  *sensor.Reading // not yet handed out
	last    time.Duration   // when something usable was received; or when we began
	trouble string          // what stands in the way of messages; empty = nothing
	noise   sensor.NoiseMeter
}

// New reads q from a topic. The connection is made at the first reading and kept
// from then on, and made anew for as long as the source is open.
func New(q sensor.Quantity, opt Options) *MQTT {
	opt.StaleAfter = cmp.Or(opt.StaleAfter, 2*time.Minute)
	return &MQTT{q: q, opt: opt, arrived: make(chan struct{}, 1), upset: make(chan struct{}, 1), trouble: "not connected yet"}
}

// Patience is how long a reading may wait for the next message.
func (m *MQTT) Patience() time.Duration { return m.opt.StaleAfter + time.Second }

// Read waits for the next message, until ctx ends or the topic counts as stale.
// A message that arrived since the last reading is given at once, and so is the
// news that the broker is away or refuses us.
func (m *MQTT) Read(ctx context.Context) sensor.Reading {
	m.started.Do(m.start)
	m.mu.Lock()
	_, now := m.opt.Clock()
	left := m.opt.StaleAfter - (now - m.last)
	m.mu.Unlock()
	timer := time.NewTimer(max(left, 0))
	defer timer.Stop()
	select {
	case <-m.arrived:
	case <-m.upset:
		if m.well() { // put right before anybody was told
			return m.Read(ctx)
		}
	case <-ctx.Done():
	case <-timer.C:
	}
	return m.take()
}

// well tells whether nothing stands in the way of messages.
func (m *MQTT) well() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.trouble == ""
}

// take hands out the message that waits, or says why there is none.
func (m *MQTT) take() sensor.Reading {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.latest; r != nil {
		m.latest = nil
		select {
		case <-m.arrived:
		default:
		}
		if _, now := m.opt.Clock(); now-r.Mono <= m.opt.StaleAfter {
			return *r
		}
	}
	r := m.opt.Clock.Stamp(m.q)
	if m.trouble != "" {
		return r.Fault(sensor.Missing, "broker %s: %s", m.opt.Broker, m.trouble)
	}
	return r.Fault(sensor.Stale, "no message on %s for %s; is the sensor node awake?", m.opt.Topic, (r.Mono - m.last).Round(time.Second))
}

// Close ends the connection. The source cannot be read any more.
func (m *MQTT) Close() error {
	m.started.Do(func() {}) // a source never read has nothing to close
	if m.cancel == nil {
		return nil
	}
	m.cancel()
	if m.manager == nil {
		return nil
	}
	select {
	case <-m.manager.Done():
		return nil
	case <-time.After(2 * time.Second):
		return fmt.Errorf("mqtt: the connection to %s did not end in time", m.opt.Broker)
	}
}

// start makes the connection.
func (m *MQTT) start() {
	m.mu.Lock()
	_, m.last = m.opt.Clock()
	m.mu.Unlock()
	cfg, err := m.config()
	if err != nil {
		m.setTrouble(err.Error())
		return
	}
	if _, err := m.password(); err != nil {
		m.setTrouble(err.Error()) // it is read again for each attempt
	}
	ctx, cancel := context.WithCancel(context.Background())
	m.cancel = cancel
	if m.manager, err = autopaho.NewConnection(ctx, cfg); err != nil {
		m.setTrouble(err.Error())
	}
}

// setTrouble keeps what stands in the way of messages, and lets the reader know
// of a new one.
func (m *MQTT) setTrouble(s string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if s != "" && s != m.trouble {
		select {
		case m.upset <- struct{}{}:
		default:
		}
	}
	m.trouble = s
}

// password reads the secret, anew for each connection, so that a wrong one can be
// put right while the service runs. It is empty where none is configured.
func (m *MQTT) password() ([]byte, error) {
	if m.opt.PasswordFile == "" {
		return nil, nil
	}
	secret, err := os.ReadFile(m.opt.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("password_file cannot be read: %w", err)
	}
	return []byte(strings.TrimRight(string(secret), "\r\n")), nil
}

// fewAtOnce is how many messages the broker may have under way to us. The library
// holds room for all that are allowed, and unless told takes 65,535 (MQTT 5,
// 3.1.2.11.3, receive maximum): half a megabyte for each connection.
const fewAtOnce = 32

// identify puts user and password into the packet that opens a connection, and how
// many messages may be under way.
func (m *MQTT) identify(p *paho.Connect, _ *url.URL) (*paho.Connect, error) {
	secret, err := m.password()
	if err != nil {
		return nil, err
	}
	if p.Properties == nil {
		p.Properties = &paho.ConnectProperties{}
	}
	few := uint16(fewAtOnce)
	p.Properties.ReceiveMaximum = &few
	if m.opt.User != "" {
		p.UsernameFlag, p.Username = true, m.opt.User
	}
	if m.opt.PasswordFile != "" {
		p.PasswordFlag, p.Password = true, secret
	}
	return p, nil
}

// config describes the connection to the library.
func (m *MQTT) config() (autopaho.ClientConfig, error) {
	u, err := url.Parse(m.opt.Broker)
	if err != nil {
		return autopaho.ClientConfig{}, fmt.Errorf("the address cannot be read: %w", err)
	}
	cfg := autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{u},
		KeepAlive:                     30,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                10 * time.Second,
		ReconnectBackoff:              backOff,
		ConnectPacketBuilder:          m.identify,
		OnConnectionUp:                m.subscribe,
		OnConnectError:                func(err error) { m.setTrouble(explain(err)) },
		OnConnectionDown: func() bool {
			m.setTrouble("the connection was lost and is being made anew")
			return true
		},
		ClientConfig: paho.ClientConfig{
			ClientID:          fmt.Sprintf("tidemark-%08x", rand.Uint32()),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){m.receive},
		},
	}
	if u.Scheme == "mqtts" {
		cfg.TlsCfg, err = m.tls(u.Hostname())
	}
	return cfg, err
}

// backOff is the pause before connection attempt n: doubling from one second to
// one minute, each by chance between half and the whole, so that many daemons do
// not come back all at once.
func backOff(n int) time.Duration {
	whole := time.Second << min(max(n-1, 0), 6)
	whole = min(whole, time.Minute)
	return whole/2 + rand.N(whole/2+1)
}

// tls is the encryption to a host.
func (m *MQTT) tls(host string) (*tls.Config, error) {
	cfg := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if m.opt.CAFile != "" {
		pem, err := os.ReadFile(m.opt.CAFile)
		if err != nil {
			return nil, fmt.Errorf("ca_file cannot be read: %w", err)
		}
		cfg.RootCAs = x509.NewCertPool()
		if !cfg.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca_file %s holds no certificate in PEM form", m.opt.CAFile)
		}
	}
	if m.opt.CertFile != "" {
		own, err := tls.LoadX509KeyPair(m.opt.CertFile, m.opt.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cert_file and key_file cannot be used: %w", err)
		}
		cfg.Certificates = []tls.Certificate{own}
	}
	return cfg, nil
}

// explain words an error of connecting without anything secret.
func explain(err error) string {
	var refused *autopaho.ConnackError
	if errors.As(err, &refused) {
		switch refused.ReasonCode {
		case 0x86, 0x87: // MQTT 5: bad user name or password, not authorized
			return "it refuses our user or password"
		default:
			return fmt.Sprintf("it refuses the connection (reason 0x%02x)", refused.ReasonCode)
		}
	}
	var cert *tls.CertificateVerificationError
	if errors.As(err, &cert) {
		return untrusted(cert.Err)
	}
	return fmt.Sprintf("cannot connect (%v)", err)
}

// untrusted says what is wrong with the broker's certificate and what to do.
func untrusted(err error) string {
	var name x509.HostnameError
	var bad x509.CertificateInvalidError
	var stranger x509.UnknownAuthorityError
	switch {
	case errors.As(err, &stranger):
		return "its certificate is not trusted: an authority signed it that is not known here; set ca_file to that authority's certificate"
	case errors.As(err, &name):
		return fmt.Sprintf("its certificate is for another name (%v); write the broker's address as the certificate has it", err)
	case errors.As(err, &bad) && bad.Reason == x509.Expired:
		return fmt.Sprintf("its certificate is out of date, or this machine's clock is wrong (%v)", err)
	default:
		return fmt.Sprintf("its certificate is not trusted (%v)", err)
	}
}

// subscribe asks for the topic, without the message that the broker kept from
// before.
func (m *MQTT) subscribe(cm *autopaho.ConnectionManager, _ *paho.Connack) {
	go func() { // the library must not be held up
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		const noRetained = 2 // MQTT 5, retain handling
		ack, err := cm.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{
			{Topic: m.opt.Topic, QoS: 1, RetainHandling: noRetained},
		}})
		switch {
		case ack != nil && len(ack.Reasons) > 0 && ack.Reasons[0] >= 0x80:
			m.setTrouble(fmt.Sprintf("it refuses the topic %s (reason 0x%02x)", m.opt.Topic, ack.Reasons[0]))
		case err != nil:
			m.setTrouble(fmt.Sprintf("the topic %s cannot be subscribed to (%v)", m.opt.Topic, err))
		default:
			m.setTrouble("")
		}
	}()
}

// receive takes a message.
func (m *MQTT) receive(p paho.PublishReceived) (bool, error) {
	if p.Packet.Topic != m.opt.Topic || p.Packet.Retain {
		return true, nil
	}
	m.keep(p.Packet.Payload)
	return true, nil
}

// keep makes a reading of a payload and lets the reader know.
func (m *MQTT) keep(payload []byte) {
	r := m.opt.Clock.Stamp(m.q)
	v, err := ParsePayload(payload, m.opt.Field, m.opt.Unit, m.q)
	if err == nil && m.q == sensor.Distance {
		v, err = sensor.CheckMM(v, m.opt.MinMM, m.opt.MaxMM, 5, 4000)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if err != nil {
		r = r.Failed(err)
	} else {
		r = r.Good(v+m.opt.Offset, m.noise.Add(v, 0))
	}
	m.latest, m.last = &r, r.Mono
	select {
	case m.arrived <- struct{}{}:
	default:
	}
}
