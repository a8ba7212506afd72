package channel

import (
	"cmp"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/sensor/mqtt"
)

// Defaults of an MQTT channel.
const (
	defaultBase      = "tidemark"
	defaultDiscovery = "homeassistant"
	online           = "online"
	offline          = "offline"
	mqttTaken        = 5 * time.Second // for the broker to confirm
	mqttGoodbye      = 2 * time.Second
)

// told is what home automation is told of one vessel.
type told struct {
	state  bake.State
	alarms []alert.Alarm
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
	words           *text.Localizer
	broker          *mqtt.Client
	stop            context.CancelFunc // ends publishStates
	done            chan struct{}      // closed when it has ended
	dirty           chan struct{}      // holds a token while there is something to publish

	mu     sync.Mutex
	up     bool              // there is a connection
	states map[string]told   // by vessel, the newest
	sent   map[string]string // what was published on this connection, by topic
}

func newMQTT(spec alert.ChannelSpec, env Env, s *secrets, trust *tls.Config) *mqttChannel {
	c := &mqttChannel{
		base: cmp.Or(spec.Base, defaultBase), discovery: cmp.Or(spec.Discovery, defaultDiscovery), single: spec.Form == alert.EntityForm, version: env.Version,
		secrets: s, log: env.Log.With("channel", spec.Name), words: text.New(env.Household), done: make(chan struct{}), dirty: make(chan struct{}, 1), states: map[string]told{}, sent: map[string]string{},
	}
	o := mqtt.Options{Broker: spec.URL, User: spec.User, TLS: trust, OnChange: c.changed,
		Password: func() ([]byte, error) { return []byte(s.password), nil }}
	o.Will.Topic, o.Will.Payload = c.topic("availability"), offline
	if c.discovery != "-" { // the birth message of the home automation
		o.Topic, o.OnMessage = c.discovery+"/status", func(_ string, payload []byte) {
			if string(payload) == online {
				c.announceAgain()
			}
		}
	}
	c.broker = mqtt.Connect(o)
	var ctx context.Context
	ctx, c.stop = context.WithCancel(context.Background())
	go c.publishStates(ctx)
	return c
}

// topic joins parts below the base.
func (c *mqttChannel) topic(parts ...string) string {
	return c.base + "/" + strings.Join(parts, "/")
}

// changed has everything announced again on a new connection.
func (c *mqttChannel) changed(up bool, trouble error) {
	c.mu.Lock()
	c.up = up
	c.mu.Unlock()
	if trouble != nil {
		c.log.Warn("trouble with the broker", "connected", up, "error", c.secrets.clean(c.words.Error(trouble)))
		return
	}
	c.announceAgain()
}

// Deliver publishes the message as JSON and waits until the broker has taken it.
func (c *mqttChannel) Deliver(ctx context.Context, m alert.Message) (string, error) {
	body, err := json.Marshal(m)
	if err != nil {
		return "", c.secrets.failure(err)
	}
	reason, err := c.broker.Publish(ctx, c.topic(vesselTopic(m.Vessel), "alarm"), body, false)
	if err != nil {
		return "", c.judge(reason, err)
	}
	return fmt.Sprintf("taken by the broker, reason code %d", reason), nil
}

// judge sorts a refused publication. Reason codes from 0x80 on are refusals
// (MQTT 5.0, section 3.4.2.1); "not authorized" and "topic name invalid" will
// not change by trying again.
func (c *mqttChannel) judge(reason byte, err error) error {
	const notAuthorized, topicInvalid = 0x87, 0x90
	switch {
	case reason >= 0x80:
		return &alert.Failure{Answer: fmt.Sprintf("the broker refused it, reason code 0x%02X", reason), Final: reason == notAuthorized || reason == topicInvalid}
	case errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled):
		return err
	default:
		return &alert.Failure{Answer: c.secrets.clean(c.words.Error(err))}
	}
}

// Report keeps the newest state of a vessel to be published.
func (c *mqttChannel) Report(s bake.State, alarms []alert.Alarm) {
	c.mu.Lock()
	c.states[s.Vessel] = told{s, alarms}
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

// publishStates sends discovery, availability and states whenever something is new,
// until ctx ends.
func (c *mqttChannel) publishStates(ctx context.Context) {
	defer close(c.done)
	for {
		select {
		case <-ctx.Done():
			return
		case <-c.dirty:
		}
		c.mu.Lock()
		up, states := c.up, maps.Clone(c.states)
		c.mu.Unlock()
		if !up { // all is sent on the next connection
			continue
		}
		var failed error
		for _, name := range slices.Sorted(maps.Keys(states)) {
			for _, r := range c.publications(states[name]) {
				failed = errors.Join(failed, c.renewed(ctx, r))
			}
		}
		if failed != nil && ctx.Err() == nil {
			c.log.Warn("a state was not taken by the broker", "error", c.secrets.clean(c.words.Error(failed)))
		}
	}
}

// announceAgain has discovery, availability and states sent once more.
func (c *mqttChannel) announceAgain() {
	c.mu.Lock()
	c.sent = map[string]string{}
	c.mu.Unlock()
	c.renew()
}

// retain sends a retained message.
func (c *mqttChannel) retain(ctx context.Context, topic string, payload []byte) error {
	ctx, cancel := context.WithTimeout(ctx, mqttTaken)
	defer cancel()
	_, err := c.broker.Publish(ctx, topic, payload, true)
	return err
}

// renewed publishes what is not there yet. A state has its moment in it and so goes out
// each time, before it expires.
func (c *mqttChannel) renewed(ctx context.Context, r retained) error {
	c.mu.Lock()
	sent := c.sent // of this connection: another has a map of its own
	was, known := sent[r.topic]
	c.mu.Unlock()
	if known && was == string(r.payload) {
		return nil
	}
	err := c.retain(ctx, r.topic, r.payload)
	if err == nil {
		c.mu.Lock()
		sent[r.topic] = string(r.payload)
		c.mu.Unlock()
	}
	return err
}

// Close says offline and goodbye: a clean disconnect sends no will.
func (c *mqttChannel) Close() error {
	c.stop()
	<-c.done
	c.mu.Lock()
	up := c.up
	c.mu.Unlock()
	if up { // else the will has said it
		ctx, cancel := context.WithTimeout(context.Background(), mqttGoodbye)
		defer cancel()
		_ = c.retain(ctx, c.topic("availability"), []byte(offline)) // the connection may just be lost
	}
	return c.broker.Close()
}
