package sensortest

import (
	"crypto/tls"
	"net"
	"strings"
	"sync"
	"testing"

	"github.com/eclipse/paho.golang/packets"
)

// Broker is an MQTT 5 broker with what one client needs: users, subscriptions to one
// topic or to all of them (#), publications with quality 0 and 1, retained messages and
// wills. It keeps all that was published.
type Broker struct {
	// Faults; set them with Set.
	User, Password string          // the only user; empty = everybody
	Refuse         map[string]bool // topics that nobody may subscribe or publish to
	Cut            map[string]bool // topics that end the connection of who asks for them
	TLS            *tls.Config     // from the next Start on; nil = plain

	t         testing.TB
	address   string
	mu        sync.Mutex
	listener  net.Listener
	clients   map[net.Conn]*client
	retained  map[string]string
	published []Message
	logins    []string // the user of each connection so far
}

// Message is a publication.
type Message struct{ Topic, Payload string }

// client is one connection.
type client struct {
	topics map[string]bool
	will   *packets.Publish
}

// NewBroker starts a Broker on this machine that ends with the test.
func NewBroker(t testing.TB) *Broker {
	b := &Broker{t: t, address: "127.0.0.1:0", Refuse: map[string]bool{}, Cut: map[string]bool{}, clients: map[net.Conn]*client{}, retained: map[string]string{}}
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
	l, err := net.Listen("tcp", b.address)
	if err != nil {
		b.t.Fatal(err)
	}
	b.Set(func() {
		b.address = l.Addr().String()
		if b.TLS != nil {
			l = tls.NewListener(l, b.TLS)
		}
		b.listener = l
	})
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go b.serve(c)
		}
	}()
}

// Stop ends it and every connection.
func (b *Broker) Stop() {
	b.Set(func() { _ = b.listener.Close() })
	b.Drop()
}

// Drop cuts every connection, as a power cut does.
func (b *Broker) Drop() {
	b.Set(func() {
		for c := range b.clients {
			_ = c.Close()
		}
	})
}

// Set changes how it behaves.
func (b *Broker) Set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// Publish sends a message to those who subscribed.
func (b *Broker) Publish(topic, payload string) {
	b.Set(func() { b.spread(&packets.Publish{Topic: topic, Payload: []byte(payload)}) })
}

// Retain leaves a message with the broker, as a node that died long ago did.
func (b *Broker) Retain(topic, payload string) { b.Set(func() { b.retained[topic] = payload }) }

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

// serve answers one client until it goes.
func (b *Broker) serve(c net.Conn) {
	defer func() {
		_ = c.Close()
		b.Set(func() {
			if g := b.clients[c]; g != nil && g.will != nil {
				b.spread(g.will)
			}
			delete(b.clients, c)
		})
	}()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		var answer *packets.ControlPacket
		b.Set(func() { answer = b.answer(c, p) })
		if answer == nil {
			continue
		}
		b.Set(func() { _, err = answer.WriteTo(c) })
		if refused, ok := answer.Content.(*packets.Connack); err != nil || ok && refused.ReasonCode != 0 {
			return
		}
	}
}

// answer returns what is said to a packet; nil = nothing. b.mu is held.
func (b *Broker) answer(c net.Conn, p *packets.ControlPacket) *packets.ControlPacket {
	switch in := p.Content.(type) {
	case *packets.Connect:
		out := packets.NewControlPacket(packets.CONNACK)
		b.logins = append(b.logins, in.Username)
		if b.User != "" && (in.Username != b.User || string(in.Password) != b.Password) {
			out.Content.(*packets.Connack).ReasonCode = packets.ConnackBadUsernameOrPassword
			return out
		}
		g := &client{topics: map[string]bool{}}
		if in.WillFlag {
			g.will = &packets.Publish{Topic: in.WillTopic, Payload: in.WillMessage, Retain: in.WillRetain}
		}
		b.clients[c] = g
		return out
	case *packets.Subscribe:
		return b.subscribe(c, in)
	case *packets.Publish:
		out := packets.NewControlPacket(packets.PUBACK)
		out.Content.(*packets.Puback).PacketID = in.PacketID
		if b.Refuse[in.Topic] {
			out.Content.(*packets.Puback).ReasonCode = packets.PubackNotAuthorized
		} else {
			b.spread(in)
		}
		if in.QoS == 0 {
			return nil
		}
		return out
	case *packets.Pingreq:
		return packets.NewControlPacket(packets.PINGRESP)
	case *packets.Disconnect:
		b.clients[c].will = nil
	}
	return nil
}

// subscribe answers a subscription.
func (b *Broker) subscribe(c net.Conn, in *packets.Subscribe) *packets.ControlPacket {
	out := packets.NewControlPacket(packets.SUBACK)
	ack := out.Content.(*packets.Suback)
	ack.PacketID = in.PacketID
	for _, s := range in.Subscriptions {
		switch {
		case b.Cut[s.Topic]:
			_ = c.Close()
			return nil
		case b.Refuse[s.Topic]:
			ack.Reasons = append(ack.Reasons, packets.SubackNotauthorized)
			continue
		}
		ack.Reasons = append(ack.Reasons, s.QoS)
		b.clients[c].topics[s.Topic] = true
		for topic, payload := range b.retained {
			if s.RetainHandling != 2 && (s.Topic == topic || s.Topic == "#") {
				b.send(c, &packets.Publish{Topic: topic, Payload: []byte(payload), Retain: true})
			}
		}
	}
	return out
}

// spread keeps a message and sends it on. b.mu is held.
func (b *Broker) spread(m *packets.Publish) {
	b.published = append(b.published, Message{m.Topic, string(m.Payload)})
	if m.Retain {
		b.retained[m.Topic] = string(m.Payload)
	}
	for c, g := range b.clients {
		if g.topics[m.Topic] || g.topics["#"] {
			b.send(c, &packets.Publish{Topic: m.Topic, Payload: m.Payload})
		}
	}
}

// send writes a publication; a client that is gone shows elsewhere.
func (b *Broker) send(c net.Conn, m *packets.Publish) {
	p := packets.NewControlPacket(packets.PUBLISH)
	m.Properties = p.Content.(*packets.Publish).Properties
	p.Content = m
	_, _ = p.WriteTo(c)
}
