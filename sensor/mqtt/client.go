// Package mqtt talks to MQTT brokers: Client is the one client, for reading and for
// telling, and Source reads a quantity from the messages of a topic, for a sensor
// node in the fridge or in another room.
//
// Units: a value is turned into the unit of its quantity (mm, Celsius, ratio
// 0..1) from the unit that the topic is said to carry.
//
// Source: MQTT version 5, OASIS standard of 7 March 2019.
//
// Invariants: a message counts once, at the moment of its arrival; a retained
// message, whose age nobody knows, is never taken; when nothing arrives for the
// stated time the reading is Stale. A connection that is lost is made again for as
// long as its Client is open, and its topic is asked for again. A broker that is away,
// or refuses us or the topic, is told at the next reading. Secrets appear in no error.
package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"tidemark/sensor"
)

// Options say how to reach a broker.
type Options struct {
	Broker   string                 // mqtt://host:1883 or mqtts://host:8883
	User     string                 // empty = none
	Password func() ([]byte, error) // asked before each attempt; nil = none
	TLS      *tls.Config            // for mqtts
	// Will is what the broker publishes, retained, when the connection is lost
	// without a goodbye; an empty topic = nothing.
	Will struct{ Topic, Payload string }
	// OnChange is told whether there is a connection, and what is wrong: why there is
	// none, or why there are no messages of the topic; nil when all is well. nil = nobody
	// is told. OnMessage is called with each message of the topic, from now on or, when
	// Kept is set, also with what the broker kept; an empty topic = none. Neither may wait
	// for anything.
	OnChange  func(up bool, trouble error)
	Topic     string
	Kept      bool
	OnMessage func(topic string, payload []byte)
}

// Limits of a Client.
const (
	keepAlive      = 30 // seconds
	connectTimeout = 10 * time.Second
	firstPause     = time.Second / 4 // before a connection is made anew
	longestPause   = time.Minute
	closeTimeout   = 2 * time.Second
	// underWay is how many messages the broker may have under way to us; the library
	// holds room for all of them, and unless told takes 65,535 (MQTT 5, 3.1.2.11.3).
	underWay       = 64
	subscribePause = time.Minute      // before a topic is asked for again that got no answer
	shortLife      = 10 * time.Second // of a connection that somebody cuts on purpose
)

// Client is a connection to a broker that is made again for as long as it is open.
// It may be used by several goroutines.
type Client struct {
	opt     Options
	manager *autopaho.ConnectionManager // nil when there could be none
	ctx     context.Context             // ends with Close
	cancel  context.CancelFunc
	backOff autopaho.Backoff

	mu      sync.Mutex
	trouble error // nil = connected
	made    int   // connections so far
	upSince time.Time
	cuts    int // connections in a row that had a short life
}

// Connect returns a Client that begins to connect; OnChange is told what stands in the
// way.
func Connect(opt Options) *Client {
	c := &Client{opt: opt, trouble: fault("wait"), backOff: autopaho.NewExponentialBackoff(firstPause, longestPause, 2*firstPause, 2)}
	c.ctx, c.cancel = context.WithCancel(context.Background())
	if _, err := c.password(); err != nil { // it is asked for again at each attempt
		c.down(func() error { return err })
	}
	u, err := url.Parse(opt.Broker)
	if err == nil {
		c.manager, err = autopaho.NewConnection(c.ctx, c.config(u))
	}
	if err != nil {
		c.down(func() error { return err })
	}
	return c
}

// config describes the connection to the library.
func (c *Client) config(u *url.URL) autopaho.ClientConfig {
	cfg := autopaho.ClientConfig{
		ServerUrls: []*url.URL{u}, TlsCfg: c.opt.TLS, KeepAlive: keepAlive, CleanStartOnInitialConnection: true,
		ConnectTimeout: connectTimeout, ReconnectBackoff: c.pause, ConnectPacketBuilder: c.identify,
		OnConnectionUp:   func(m *autopaho.ConnectionManager, _ *paho.Connack) { c.up(m) },
		OnConnectError:   func(err error) { c.down(func() error { return explain(err) }) },
		OnConnectionDown: func() bool { c.down(c.lost); return true },
		ClientConfig: paho.ClientConfig{
			ClientID: fmt.Sprintf("tidemark-%08x", rand.Uint32()),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
				if c.opt.Kept || !p.Packet.Retain && p.Packet.Topic == c.opt.Topic {
					c.opt.OnMessage(p.Packet.Topic, p.Packet.Payload)
				}
				return true, nil
			}},
		},
	}
	if w := c.opt.Will; w.Topic != "" {
		cfg.WillMessage = &paho.WillMessage{Topic: w.Topic, Payload: []byte(w.Payload), QoS: 1, Retain: true}
	}
	return cfg
}

// password asks for the secret.
func (c *Client) password() ([]byte, error) {
	if c.opt.Password == nil {
		return nil, nil
	}
	return c.opt.Password()
}

// identify puts user and password into the packet that opens a connection, and how
// many messages may be under way.
func (c *Client) identify(p *paho.Connect, _ *url.URL) (*paho.Connect, error) {
	secret, err := c.password()
	if err != nil {
		return nil, err
	}
	if p.Properties == nil {
		p.Properties = &paho.ConnectProperties{}
	}
	p.Properties.ReceiveMaximum = new(uint16(underWay))
	p.UsernameFlag, p.Username = c.opt.User != "", c.opt.User
	p.PasswordFlag, p.Password = len(secret) > 0, secret
	return p, nil
}

// pause returns the pause before connection attempt n, by chance up to one minute, so
// that many daemons do not come back all at once; longer when connections are cut.
func (c *Client) pause(n int) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.backOff(n + c.cuts)
}

// tell tells the owner; c.mu is held, so that nothing old is told after something new.
func (c *Client) tell(up bool, trouble error) {
	if c.opt.OnChange != nil {
		c.opt.OnChange(up, trouble)
	}
}

// up asks for the topic on a new connection.
func (c *Client) up(m *autopaho.ConnectionManager) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.made++
	c.trouble, c.upSince = nil, time.Now()
	c.tell(true, nil)
	if c.opt.Topic != "" {
		go c.subscribe(m, c.made)
	}
}

// down tells why there is no connection, which is worked out with c.mu held.
func (c *Client) down(why func() error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.trouble = why()
	c.tell(false, c.trouble)
}

// lost words the loss of a connection.
func (c *Client) lost() error {
	if time.Since(c.upSince) > shortLife {
		c.cuts = 0
	} else if c.cuts++; c.cuts > 1 { // once may be chance
		return fault("cuts")
	}
	return fault("lost")
}

// subscribe asks the broker for the topic, and tells what stands in the way, until it has
// answered or the connection, of that number, is lost.
func (c *Client) subscribe(m *autopaho.ConnectionManager, number int) {
	want := paho.SubscribeOptions{Topic: c.opt.Topic, QoS: 1}
	if !c.opt.Kept {
		want.RetainHandling = 2 // MQTT 5, 3.8.3.1: nothing that was kept
	}
	for answered := false; !answered && c.ctx.Err() == nil; {
		ack, err := m.Subscribe(c.ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{want}})
		var trouble error
		switch answered = ack != nil && len(ack.Reasons) == 1; {
		case !answered:
			trouble = fault("subscribe", "topic", c.opt.Topic, "error", err)
		case ack.Reasons[0] >= 0x80:
			trouble = fault("topic", "topic", c.opt.Topic, "reason", fmt.Sprintf("0x%02x", ack.Reasons[0]))
		}
		c.mu.Lock()
		current := c.made == number && c.trouble == nil
		if current && trouble != nil {
			c.tell(true, trouble)
		}
		c.mu.Unlock()
		if answered || !current {
			return
		}
		timer := time.NewTimer(subscribePause)
		select {
		case <-timer.C:
		case <-c.ctx.Done():
		}
		timer.Stop()
	}
}

// Publish sends a message and waits until the broker has taken it or ctx ends.
// reason is the broker's code (MQTT 5, 3.4.2.1), 0x80 or more when it refused.
func (c *Client) Publish(ctx context.Context, topic string, payload []byte, retain bool) (reason byte, err error) {
	if c.manager == nil || c.manager.AwaitConnection(ctx) != nil {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.trouble == nil {
			return 0, ctx.Err()
		}
		return 0, fault("none", "why", c.trouble)
	}
	answer, err := c.manager.Publish(ctx, &paho.Publish{Topic: topic, QoS: 1, Retain: retain, Payload: payload})
	if answer != nil {
		reason = answer.ReasonCode
	}
	return reason, err
}

// Close says goodbye and ends the connection.
func (c *Client) Close() error {
	c.cancel()
	if c.manager == nil {
		return nil
	}
	late := time.NewTimer(closeTimeout)
	defer late.Stop()
	select {
	case <-c.manager.Done():
		return nil
	case <-late.C:
		return fmt.Errorf("mqtt: the connection to %s did not end in time", c.opt.Broker)
	}
}

// fault is a trouble with a broker.
func fault(key string, pairs ...any) error {
	return sensor.Fault(sensor.Missing, "broker."+key, pairs...)
}

// explain sorts an error of connecting; nothing secret is in it.
func explain(err error) error {
	var refused *autopaho.ConnackError
	var cert *tls.CertificateVerificationError
	var name x509.HostnameError
	var bad x509.CertificateInvalidError
	var stranger x509.UnknownAuthorityError
	switch {
	case errors.As(err, &refused) && (refused.ReasonCode == 0x86 || refused.ReasonCode == 0x87): // bad user name or password, not authorized
		return fault("login")
	case errors.As(err, &refused):
		return fault("refuses", "reason", fmt.Sprintf("0x%02x", refused.ReasonCode))
	case !errors.As(err, &cert):
		return fault("connect", "error", err)
	case errors.As(cert.Err, &stranger):
		return fault("stranger")
	case errors.As(cert.Err, &name):
		return fault("name", "error", cert.Err)
	case errors.As(cert.Err, &bad) && bad.Reason == x509.Expired:
		return fault("expired", "error", cert.Err)
	default:
		return fault("certificate", "error", cert.Err)
	}
}
