package channel

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"tidemark/alert"
	"tidemark/estimator"
)

// Defaults of an MQTT channel.
const (
	defaultBase      = "tidemark"
	defaultDiscovery = "homeassistant"
	online           = "online"
	offline          = "offline"
	mqttKeepAlive    = 30 // seconds
	mqttRetryFirst   = 500 * time.Millisecond
	mqttRetryMost    = 30 * time.Second
	mqttTaken        = 5 * time.Second // for the broker to confirm
	mqttGoodbye      = 2 * time.Second
)

// State is what home automation is told of one vessel.
type State struct {
	Vessel   string
	Estimate estimator.Estimate
	Alarms   []alert.Alarm // the open ones of the vessel
}

// Reporter is a channel that also carries states. Report keeps the newest state
// of every vessel and sends it as soon as there is a connection; it does not
// block. Call it at least once a minute: a state not renewed expires.
type Reporter interface {
	Report(s State)
}

// mqttChannel keeps one connection to a broker. Messages go to
// BASE/VESSEL/alarm, states to BASE/VESSEL/state (retained), the availability
// to BASE/availability (retained, and as last will).
type mqttChannel struct {
	base, discovery string
	single          bool // announce each entity by itself
	version         string
	secrets         *secrets
	log             *slog.Logger
	config          autopaho.ClientConfig

	mu      sync.Mutex
	conn    *autopaho.ConnectionManager
	states  map[string]State
	trouble string // why the last connection attempt failed
	afresh  bool   // announce everything anew
	dirty   chan struct{}
	stop    context.CancelFunc
	done    chan struct{}
}

func newMQTT(spec alert.ChannelSpec, env Env, s *secrets, trust *tls.Config) *mqttChannel {
	c := &mqttChannel{
		base: orText(spec.Base, defaultBase), discovery: orText(spec.Discovery, defaultDiscovery), single: spec.Form == alert.EntityForm, version: env.Version,
		secrets: s, log: env.Log.With("channel", spec.Name), states: map[string]State{}, dirty: make(chan struct{}, 1),
	}
	broker, _ := url.Parse(spec.URL) // Validate has parsed it
	trust = trust.Clone()
	trust.ServerName = broker.Hostname()
	c.config = autopaho.ClientConfig{
		ServerUrls: []*url.URL{broker}, TlsCfg: trust, KeepAlive: mqttKeepAlive, CleanStartOnInitialConnection: true,
		ConnectUsername: spec.User, ConnectPassword: []byte(s.password),
		ReconnectBackoff: reconnectAfter,
		ConnectTimeout:   15 * time.Second,
		WillMessage:      &paho.WillMessage{Topic: c.topic("availability"), Payload: []byte(offline), QoS: 1, Retain: true},
		OnConnectionUp:   func(m *autopaho.ConnectionManager, _ *paho.Connack) { c.greet(m) },
		OnConnectError:   c.failed,
		ClientConfig: paho.ClientConfig{
			ClientID:          clientID(),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){c.received},
		},
	}
	return c
}

// reconnectAfter is the waiting time before a connection attempt; 0 is the first.
func reconnectAfter(attempt int) time.Duration {
	if attempt == 0 {
		return 0
	}
	return min(mqttRetryMost, mqttRetryFirst<<min(attempt-1, 10))
}

// orText returns s, or def when s is empty.
func orText(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

// clientID makes up a name that no other client has.
func clientID() string {
	var b [6]byte
	rand.Read(b[:])
	return "tidemark-" + hex.EncodeToString(b[:])
}

// topic joins parts below the base.
func (c *mqttChannel) topic(parts ...string) string {
	return c.base + "/" + strings.Join(parts, "/")
}

// connected starts the connection at the first call; it lives until Close.
func (c *mqttChannel) connected() (*autopaho.ConnectionManager, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.conn != nil {
		return c.conn, nil
	}
	ctx, stop := context.WithCancel(context.Background())
	conn, err := autopaho.NewConnection(ctx, c.config)
	if err != nil {
		stop()
		return nil, err
	}
	c.conn, c.stop, c.done = conn, stop, make(chan struct{})
	go c.publishStates(ctx, conn, c.done)
	return conn, nil
}

// failed remembers why there is no connection.
func (c *mqttChannel) failed(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.trouble = c.secrets.clean(err.Error())
	c.log.Warn("no connection to the broker", "error", c.trouble)
}

// Deliver publishes the message as JSON and waits until the broker has taken it.
func (c *mqttChannel) Deliver(ctx context.Context, m alert.Message) (string, error) {
	conn, err := c.connected()
	if err != nil {
		return "", c.secrets.failure(err)
	}
	if err := conn.AwaitConnection(ctx); err != nil {
		return "", c.noConnection(ctx, err)
	}
	body, err := json.Marshal(m)
	if err != nil {
		return "", c.secrets.failure(err)
	}
	answer, err := conn.Publish(ctx, &paho.Publish{Topic: c.topic(vesselTopic(m.Vessel), "alarm"), QoS: 1, Payload: body})
	if err != nil {
		return "", c.judge(ctx, answer, err)
	}
	return fmt.Sprintf("taken by the broker, reason code %d", answer.ReasonCode), nil
}

// noConnection says why the broker cannot be reached.
func (c *mqttChannel) noConnection(ctx context.Context, err error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.trouble != "" {
		return &alert.Failure{Answer: "no connection to the broker: " + c.trouble}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return c.secrets.failure(err)
}

// judge sorts a refused publication. Reason codes from 0x80 on are refusals
// (MQTT 5.0, section 3.4.2.1); "not authorized" and "topic name invalid" will
// not change by trying again.
func (c *mqttChannel) judge(ctx context.Context, answer *paho.PublishResponse, err error) error {
	const notAuthorized, topicInvalid = 0x87, 0x90
	if ctx.Err() != nil {
		return ctx.Err()
	}
	f := &alert.Failure{Answer: c.secrets.clean(err.Error())}
	if answer != nil && answer.ReasonCode >= 0x80 {
		f.Answer = fmt.Sprintf("the broker refused it, reason code 0x%02X", answer.ReasonCode)
		f.Final = answer.ReasonCode == notAuthorized || answer.ReasonCode == topicInvalid
	}
	return f
}

// Report implements Reporter.
func (c *mqttChannel) Report(s State) {
	if _, err := c.connected(); err != nil {
		c.log.Warn("no connection to the broker", "error", c.secrets.clean(err.Error()))
		return
	}
	c.mu.Lock()
	c.states[s.Vessel] = s
	c.mu.Unlock()
	c.renew()
}

// renew makes publishStates run.
func (c *mqttChannel) renew() {
	select {
	case c.dirty <- struct{}{}:
	default:
	}
}

// publishStates sends discovery, availability and states whenever something is
// new, until ctx ends.
func (c *mqttChannel) publishStates(ctx context.Context, conn *autopaho.ConnectionManager, done chan struct{}) {
	defer close(done)
	announced := map[string]bool{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-c.dirty:
		}
		if conn.AwaitConnection(ctx) != nil {
			return
		}
		c.mu.Lock()
		if c.afresh {
			announced, c.afresh = map[string]bool{}, false
		}
		states := maps.Clone(c.states)
		c.mu.Unlock()
		for _, name := range slices.Sorted(maps.Keys(states)) {
			if err := c.publishState(ctx, conn, states[name], announced); err != nil {
				c.log.Warn("a state was not taken by the broker", "error", c.secrets.clean(err.Error()))
			}
		}
	}
}

// greet is called on every new connection: it subscribes to the birth message
// and has everything announced anew.
func (c *mqttChannel) greet(m *autopaho.ConnectionManager) {
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		defer cancel()
		if c.discovery != "-" {
			if _, err := m.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: c.discovery + "/status", QoS: 1}}}); err != nil {
				c.log.Warn("the birth message cannot be subscribed to", "error", c.secrets.clean(err.Error()))
			}
		}
		if err := publish(ctx, m, c.topic("availability"), []byte(online), true); err != nil {
			c.log.Warn("the availability was not taken by the broker", "error", c.secrets.clean(err.Error()))
		}
		c.announceAgain()
	}()
}

// announceAgain has discovery and states sent once more.
func (c *mqttChannel) announceAgain() {
	c.mu.Lock()
	c.afresh, c.trouble = true, ""
	c.mu.Unlock()
	c.renew()
}

// received takes the birth message of the home automation.
func (c *mqttChannel) received(p paho.PublishReceived) (bool, error) {
	if p.Packet.Topic == c.discovery+"/status" && string(p.Packet.Payload) == online {
		c.announceAgain()
	}
	return true, nil
}

// publish sends one message with QoS 1.
func publish(ctx context.Context, m *autopaho.ConnectionManager, topic string, payload []byte, retain bool) error {
	ctx, cancel := context.WithTimeout(ctx, mqttTaken)
	defer cancel()
	_, err := m.Publish(ctx, &paho.Publish{Topic: topic, QoS: 1, Retain: retain, Payload: payload})
	return err
}

// publishState sends the state of one vessel, after its discovery the first
// time. Availability comes right after discovery, so that a consumer that just
// learnt the entity does not show it as away.
func (c *mqttChannel) publishState(ctx context.Context, m *autopaho.ConnectionManager, s State, announced map[string]bool) error {
	if c.discovery != "-" && !announced[s.Vessel] {
		for _, a := range c.announcements(s) {
			if err := publish(ctx, m, a.topic, a.payload, true); err != nil {
				return err
			}
		}
		if err := publish(ctx, m, c.topic("availability"), []byte(online), true); err != nil {
			return err
		}
		announced[s.Vessel] = true
	}
	body, err := json.Marshal(stateDocument(s))
	if err != nil {
		return err
	}
	return publish(ctx, m, c.topic(vesselTopic(s.Vessel), "state"), body, true)
}

// Close says offline and goodbye: a clean disconnect sends no will.
func (c *mqttChannel) Close() error {
	c.mu.Lock()
	conn, stop, done := c.conn, c.stop, c.done
	c.conn = nil
	c.mu.Unlock()
	if conn == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), mqttGoodbye)
	defer cancel()
	err := publish(ctx, conn, c.topic("availability"), []byte(offline), true)
	if errors.Is(err, autopaho.ConnectionDownError) {
		err = nil // then the will has said it
	}
	if gone := conn.Disconnect(ctx); err == nil && !errors.Is(gone, context.DeadlineExceeded) {
		err = gone
	}
	stop()
	<-done
	return err
}
