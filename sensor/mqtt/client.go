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
// readers of that topic alone; one that makes it close the connection is asked for
// once a minute, so that the others live. Secrets appear in no error.
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
	underWay = 64
	// refusedPause is before a topic that costs the connection is asked for again.
	refusedPause = time.Minute
)

// notYet is the trouble before anything was tried.
const notYet = "not connected yet"

// Client is a connection to a broker that is made again for as long as it is open.
// It may be used by several goroutines.
type Client struct {
	opt     Options
	manager *autopaho.ConnectionManager // nil when there could be none
	cancel  context.CancelFunc
	wake    chan struct{} // holds a token while topics are to be asked for
	ended   chan struct{} // closed when nobody asks for topics any more

	mu      sync.Mutex
	topics  map[string]*topic
	trouble string          // empty = connected
	life    context.Context // ends when the connection is lost
	lost    context.CancelFunc
}

// topic is a topic with those who read it.
type topic struct {
	name    string
	readers map[*reader]bool
	asked   bool      // the broker has answered, since the connection came
	losses  int       // in a row, of the connection while it was asked for
	after   time.Time // not asked for before
	trouble string    // what its readers are told
}

// reader is told of the messages of a topic and of what stands in their way.
type reader struct {
	message func(payload []byte)
	trouble func(text string)
}

// Connect returns a Client that begins to connect; what stands in the way is told
// to its users.
func Connect(opt Options) *Client {
	ctx, cancel := context.WithCancel(context.Background())
	c := &Client{opt: opt, cancel: cancel, wake: make(chan struct{}, 1), ended: make(chan struct{}), topics: map[string]*topic{}, trouble: notYet}
	c.life, c.lost = context.WithCancel(ctx)
	c.lost() // there is none yet
	if _, err := c.password(); err != nil {
		c.trouble = err.Error() // it is asked for again at each attempt
	}
	u, err := url.Parse(opt.Broker)
	if err == nil {
		c.manager, err = autopaho.NewConnection(ctx, c.config(ctx, u))
	}
	if err != nil {
		c.trouble = err.Error()
		close(c.ended)
		return c
	}
	go c.ask(ctx)
	return c
}

// broken returns a Client that never connects, for the reason given.
func broken(reason string) *Client {
	c := &Client{cancel: func() {}, wake: make(chan struct{}, 1), ended: make(chan struct{}), topics: map[string]*topic{}, trouble: reason}
	close(c.ended)
	return c
}

// config describes the connection to the library.
func (c *Client) config(ctx context.Context, u *url.URL) autopaho.ClientConfig {
	cfg := autopaho.ClientConfig{
		ServerUrls: []*url.URL{u}, TlsCfg: c.opt.TLS, KeepAlive: keepAlive, CleanStartOnInitialConnection: true,
		ConnectTimeout: connectTimeout, ReconnectBackoff: backOff, ConnectPacketBuilder: c.identify,
		OnConnectionUp: func(*autopaho.ConnectionManager, *paho.Connack) { c.up(ctx) },
		OnConnectError: func(err error) { c.down(explain(err)) },
		OnConnectionDown: func() bool {
			c.down("the connection was lost and is being made anew")
			return true
		},
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

// up has every topic asked for on a new connection.
func (c *Client) up(ctx context.Context) {
	c.mu.Lock()
	c.life, c.lost = context.WithCancel(ctx)
	c.trouble = ""
	for _, t := range c.topics {
		t.asked = false
	}
	c.mu.Unlock()
	c.again()
	c.changed("")
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

// again has the topics looked through.
func (c *Client) again() {
	select {
	case c.wake <- struct{}{}:
	default:
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
		t = &topic{name: name, readers: map[*reader]bool{}, trouble: c.trouble}
		if t.trouble == "" {
			t.trouble = notYet
		}
		c.topics[name] = t
	}
	t.readers[r] = true
	r.trouble(t.trouble)
	c.again()
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

// ask asks the broker for one topic after the other, until ctx ends.
func (c *Client) ask(ctx context.Context) {
	defer close(c.ended)
	for {
		t, life, wait := c.next()
		if t != nil {
			const noRetained = 2 // MQTT 5, retain handling
			ack, err := c.manager.Subscribe(life, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: t.name, QoS: 1, RetainHandling: noRetained}}})
			c.answered(t, life, ack, err)
			continue
		}
		timer := time.NewTimer(wait)
		select {
		case <-c.wake:
		case <-timer.C:
		case <-ctx.Done():
		}
		timer.Stop()
		if ctx.Err() != nil {
			return
		}
	}
}

// next returns a topic to be asked for now and the life of the connection, or nil
// and how long nothing is to be done.
func (c *Client) next() (*topic, context.Context, time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	wait := refusedPause
	if c.life.Err() != nil {
		return nil, nil, wait
	}
	for _, t := range c.topics {
		if left := time.Until(t.after); !t.asked && left <= 0 {
			return t, c.life, 0
		} else if !t.asked {
			wait = min(wait, left)
		}
	}
	return nil, nil, wait
}

// answered takes in what the broker said to a topic, or that it said nothing.
func (c *Client) answered(t *topic, life context.Context, ack *paho.Suback, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	lost := life.Err() != nil || errors.Is(err, paho.ErrConnectionLost) || errors.Is(err, autopaho.ConnectionDownError)
	switch {
	case ack != nil && len(ack.Reasons) == 1 && !lost:
		t.asked, t.losses, t.after = true, 0, time.Time{}
		if ack.Reasons[0] >= 0x80 {
			t.tell(fmt.Sprintf("it refuses the topic %s (reason 0x%02x)", t.name, ack.Reasons[0]))
		} else {
			t.tell("")
		}
	case lost:
		if t.losses++; t.losses > 1 { // once may be chance
			t.after = time.Now().Add(refusedPause)
			t.tell(fmt.Sprintf("it closes the connection when asked for the topic %s; let our user read that topic in the broker's access rules, or correct the topic (it is tried again every minute)", t.name))
		} else {
			t.after = time.Now().Add(time.Second)
		}
	default:
		t.after = time.Now().Add(refusedPause)
		t.tell(fmt.Sprintf("the topic %s cannot be subscribed to (%v)", t.name, err))
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
	for _, done := range []<-chan struct{}{c.manager.Done(), c.ended} {
		select {
		case <-done:
		case <-late.C:
			return fmt.Errorf("mqtt: the connection to %s did not end in time", c.opt.Broker)
		}
	}
	return nil
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
