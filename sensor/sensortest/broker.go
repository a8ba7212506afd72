package sensortest

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker is an MQTT 5 broker on this machine that keeps all that was published and can
// be told to turn its clients away.
type Broker struct {
	// Faults; set them with Set.
	User, Password string          // the only user; empty = everybody
	Refuse         map[string]bool // topics that nobody may subscribe or publish to
	Cut            map[string]bool // topics that end the connection of who asks for them
	TLS            *tls.Config     // from the next Start on; nil = plain

	t         testing.TB
	address   string
	server    *broker.Server
	up        bool
	mu        sync.Mutex
	retained  map[string]string // over a new start too
	published []message
}

// message is a publication.
type message struct{ Topic, Payload string }

// NewBroker starts a Broker on this machine that ends with the test.
func NewBroker(t testing.TB) *Broker {
	l, err := net.Listen("tcp", "127.0.0.1:0") // to learn of a free port
	if err != nil {
		t.Fatal(err)
	}
	b := &Broker{t: t, address: l.Addr().String(), Refuse: map[string]bool{}, Cut: map[string]bool{}, retained: map[string]string{}}
	_ = l.Close()
	b.Start()
	t.Cleanup(b.Stop)
	return b
}

// URL returns its address.
func (b *Broker) URL() string {
	if b.TLS != nil {
		return "mqtts://localhost" + b.address[strings.LastIndex(b.address, ":"):]
	}
	return "mqtt://" + b.address
}

// Start listens, at the same address as before.
func (b *Broker) Start() {
	b.server = broker.New(&broker.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	err := errors.Join(b.server.AddHook(&hook{b: b}, nil),
		b.server.AddListener(listeners.NewTCP(listeners.Config{ID: "test", Address: b.address, TLSConfig: b.TLS})))
	if err == nil {
		err = b.server.Serve()
	}
	if err != nil {
		b.t.Fatal(err)
	}
	b.up = true
	for topic, payload := range maps.Clone(b.retained) {
		b.Retain(topic, payload)
	}
}

// Stop ends it and every connection.
func (b *Broker) Stop() {
	if b.up {
		_ = b.server.Close()
	}
	b.up = false
}

// Drop cuts every connection, as a power cut does.
func (b *Broker) Drop() {
	for _, c := range b.server.Clients.GetAll() {
		if !c.Net.Inline {
			c.Stop(errors.New("cut"))
		}
	}
}

// Set changes how it behaves.
func (b *Broker) Set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// Publish sends a message to those who subscribed.
func (b *Broker) Publish(topic, payload string) {
	_ = b.server.Publish(topic, []byte(payload), false, 0) // to a stopped one: nobody hears it
}

// Retain leaves a message with the broker, as a node that died long ago did.
func (b *Broker) Retain(topic, payload string) {
	_ = b.server.Publish(topic, []byte(payload), true, 0)
}

// Heard returns the payloads of a topic so far.
func (b *Broker) Heard(topic string) []string {
	var out []string
	b.Set(func() {
		for _, m := range b.published {
			if m.Topic == topic {
				out = append(out, m.Payload)
			}
		}
	})
	return out
}

// Retained returns what a topic holds; empty for nothing.
func (b *Broker) Retained(topic string) (payload string) {
	b.Set(func() { payload = b.retained[topic] })
	return payload
}

// hook lets a Broker decide and keep what is published.
type hook struct {
	broker.HookBase
	b *Broker
}

func (h *hook) Provides(what byte) bool {
	return slices.Contains([]byte{broker.OnConnectAuthenticate, broker.OnACLCheck, broker.OnPublish, broker.OnWillSent}, what)
}

func (h *hook) OnConnectAuthenticate(_ *broker.Client, p packets.Packet) (ok bool) {
	h.b.Set(func() {
		ok = h.b.User == "" || string(p.Connect.Username) == h.b.User && string(p.Connect.Password) == h.b.Password
	})
	return ok
}

func (h *hook) OnACLCheck(c *broker.Client, topic string, _ bool) (ok bool) {
	h.b.Set(func() {
		if h.b.Cut[topic] {
			c.Stop(errors.New("cut"))
		}
		ok = !h.b.Refuse[topic]
	})
	return ok
}

func (h *hook) OnPublish(_ *broker.Client, p packets.Packet) (packets.Packet, error) {
	h.keep(p) // before it is acknowledged
	return p, nil
}

func (h *hook) OnWillSent(_ *broker.Client, p packets.Packet) { h.keep(p) }

// keep notes a publication.
func (h *hook) keep(p packets.Packet) {
	h.b.Set(func() {
		h.b.published = append(h.b.published, message{p.TopicName, string(p.Payload)})
		if p.FixedHeader.Retain {
			h.b.retained[p.TopicName] = string(p.Payload)
		}
	})
}
