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
// long as its Client is open, and all topics are asked for again. A broker that is
// away or refuses us is told to every reader at once, a topic that it refuses to the
// readers of that topic alone. Secrets appear in no error.
package mqtt

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
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
	// OnChange is told when the connection is there (trouble is empty), and when it
	// is not, and why. It must not wait for anything. nil = nobody is told.
	OnChange func(trouble string)
}

// Limits of a Client.
const (
	keepAlive      = 30 // seconds
	connectTimeout = 10 * time.Second
	closeTimeout   = 2 * time.Second
	// underWay is how many messages the broker may have under way to us; the library
	// holds room for all of them, and unless told takes 65,535 (MQTT 5, 3.1.2.11.3).
	underWay       = 64
	subscribePause = time.Minute      // before topics are asked for again that got no answer
	shortLife      = 10 * time.Second // of a connection that somebody cuts on purpose
)

// notYet is the trouble before anything was tried.
const notYet = "not connected yet"

// Client is a connection to a broker that is made again for as long as it is open.
// It may be used by several goroutines.
type Client struct {
	opt     Options
	manager *autopaho.ConnectionManager // nil when there could be none
	ctx     context.Context             // ends with Close
	cancel  context.CancelFunc

	mu      sync.Mutex
	topics  map[string]*topic
	trouble string          // empty = connected
	life    context.Context // ends when the connection is lost
	lost    context.CancelFunc
	upSince time.Time
	cuts    int // connections in a row that had a short life
}

// topic is a topic with those who read it, and what they are told.
type topic struct {
	readers map[*reader]bool
	trouble string
}

// reader is told of the messages of a topic and of what stands in their way.
type reader struct {
	message func(payload []byte)
	trouble func(text string)
}

// Connect returns a Client that begins to connect; what stands in the way is told
// to its users.
func Connect(opt Options) *Client {
	c := &Client{opt: opt, topics: map[string]*topic{}, trouble: notYet}
	c.ctx, c.cancel = context.WithCancel(context.Background())
	c.life, c.lost = context.WithCancel(c.ctx)
	c.lost() // there is none yet
	if _, err := c.password(); err != nil {
		c.trouble = err.Error() // it is asked for again at each attempt
	}
	u, err := url.Parse(opt.Broker)
	if err == nil {
		c.manager, err = autopaho.NewConnection(c.ctx, c.config(u))
	}
	if err != nil {
		c.trouble = err.Error()
	}
	return c
}

// config describes the connection to the library.
func (c *Client) config(u *url.URL) autopaho.ClientConfig {
	cfg := autopaho.ClientConfig{
		ServerUrls: []*url.URL{u}, TlsCfg: c.opt.TLS, KeepAlive: keepAlive, CleanStartOnInitialConnection: true,
		ConnectTimeout: connectTimeout, ReconnectBackoff: c.pause, ConnectPacketBuilder: c.identify,
		OnConnectionUp:   func(*autopaho.ConnectionManager, *paho.Connack) { c.up() },
		OnConnectError:   func(err error) { c.down(explain(err)) },
		OnConnectionDown: func() bool { c.down(c.lostTrouble()); return true },
		ClientConfig: paho.ClientConfig{
			ClientID:          fmt.Sprintf("tidemark-%08x", rand.Uint32()),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){c.receive},
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
	most := uint16(underWay)
	p.Properties.ReceiveMaximum = &most
	p.UsernameFlag, p.Username = c.opt.User != "", c.opt.User
	p.PasswordFlag, p.Password = len(secret) > 0, secret
	return p, nil
}

// backOff returns the pause before connection attempt n, from 0: doubling from half
// a second to one minute, each by chance between half and the whole, so that many
// daemons do not come back all at once.
func backOff(n int) time.Duration {
	whole := min(time.Second/2<<min(n, 7), time.Minute)
	return whole/2 + rand.N(whole/2+1)
}

// pause is the pause before connection attempt n; longer when connections are cut.
func (c *Client) pause(n int) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return backOff(n + c.cuts)
}

// up has every topic asked for on a new connection.
func (c *Client) up() {
	c.mu.Lock()
	c.life, c.lost = context.WithCancel(c.ctx)
	c.trouble, c.upSince = "", time.Now()
	names := slices.Sorted(maps.Keys(c.topics))
	life := c.life
	c.mu.Unlock()
	go c.subscribe(life, names)
	c.changed("")
}

// lostTrouble words the loss of a connection.
func (c *Client) lostTrouble() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.upSince) > shortLife {
		c.cuts = 0
	} else if c.cuts++; c.cuts > 1 { // once may be chance
		return "it closes the connection again and again just after it was made; let our user read its topics in the broker's access rules, or correct them"
	}
	return "the connection was lost and is being made anew"
}

// down tells everybody what stands in the way.
func (c *Client) down(trouble string) {
	c.mu.Lock()
	c.lost()
	c.trouble = trouble
	for _, t := range c.topics {
		t.tell(trouble)
	}
	c.mu.Unlock()
	c.changed(trouble)
}

// changed tells the owner.
func (c *Client) changed(trouble string) {
	if c.opt.OnChange != nil {
		c.opt.OnChange(trouble)
	}
}

// tell lets the readers of a topic know of a trouble; empty = there is none.
func (t *topic) tell(trouble string) {
	t.trouble = trouble
	for r := range t.readers {
		r.trouble(trouble)
	}
}

// Subscribe has message called with each message of a topic from now on, and
// trouble with what stands in the way of them, or with nothing when all is well.
// Neither may wait for anything. The function returned ends it.
func (c *Client) Subscribe(name string, message func(payload []byte), trouble func(text string)) (cancel func()) {
	r := &reader{message, trouble}
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.topics[name]
	if t == nil {
		t = &topic{readers: map[*reader]bool{}, trouble: cmp.Or(c.trouble, notYet)}
		c.topics[name] = t
		if c.life.Err() == nil {
			go c.subscribe(c.life, []string{name})
		}
	}
	t.readers[r] = true
	r.trouble(t.trouble)
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if delete(t.readers, r); len(t.readers) == 0 && c.topics[name] == t {
			delete(c.topics, name) // further messages are passed over
		}
	}
}

// receive hands a message to those who read its topic.
func (c *Client) receive(p paho.PublishReceived) (bool, error) {
	if p.Packet.Retain {
		return true, nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if t := c.topics[p.Packet.Topic]; t != nil {
		for r := range t.readers {
			r.message(p.Packet.Payload)
		}
	}
	return true, nil
}

// subscribe asks the broker for topics and tells their readers what it says, until it has
// answered or the connection is lost.
func (c *Client) subscribe(life context.Context, names []string) {
	var want []paho.SubscribeOptions
	for _, name := range names {
		const noRetained = 2 // MQTT 5, retain handling
		want = append(want, paho.SubscribeOptions{Topic: name, QoS: 1, RetainHandling: noRetained})
	}
	for len(want) > 0 && life.Err() == nil {
		ack, err := c.manager.Subscribe(life, &paho.Subscribe{Subscriptions: want})
		answered := ack != nil && len(ack.Reasons) == len(want)
		c.mu.Lock()
		for i, name := range names {
			t := c.topics[name]
			switch {
			case t == nil || life.Err() != nil: // nobody reads it any more, or down has told
			case answered && ack.Reasons[i] < 0x80:
				t.tell("")
			case answered:
				t.tell(fmt.Sprintf("it refuses the topic %s (reason 0x%02x)", name, ack.Reasons[i]))
			default:
				t.tell(fmt.Sprintf("the topic %s cannot be subscribed to (%v)", name, err))
			}
		}
		c.mu.Unlock()
		if answered {
			return
		}
		timer := time.NewTimer(subscribePause)
		select {
		case <-timer.C:
		case <-life.Done():
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
		if c.trouble == "" {
			return 0, ctx.Err()
		}
		return 0, fmt.Errorf("no connection to the broker: %s", c.trouble)
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

// explain words an error of connecting without anything secret.
func explain(err error) string {
	var refused *autopaho.ConnackError
	var cert *tls.CertificateVerificationError
	var name x509.HostnameError
	var bad x509.CertificateInvalidError
	var stranger x509.UnknownAuthorityError
	switch {
	case errors.As(err, &refused) && (refused.ReasonCode == 0x86 || refused.ReasonCode == 0x87): // bad user name or password, not authorized
		return "it refuses our user or password"
	case errors.As(err, &refused):
		return fmt.Sprintf("it refuses the connection (reason 0x%02x)", refused.ReasonCode)
	case !errors.As(err, &cert):
		return fmt.Sprintf("cannot connect (%v)", err)
	case errors.As(cert.Err, &stranger):
		return "its certificate is not trusted: an authority signed it that is not known here; set ca_file to that authority's certificate"
	case errors.As(cert.Err, &name):
		return fmt.Sprintf("its certificate is for another name (%v); write the broker's address as the certificate has it", cert.Err)
	case errors.As(cert.Err, &bad) && bad.Reason == x509.Expired:
		return fmt.Sprintf("its certificate is out of date, or this machine's clock is wrong (%v)", cert.Err)
	default:
		return fmt.Sprintf("its certificate is not trusted (%v)", cert.Err)
	}
}
