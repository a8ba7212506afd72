package remote_test

import (
	"context"
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/remote"
)

// station is a broker inside the test that counts, and refuses what it is told to.
// It knows only what a reader of topics sends.
type station struct {
	t       *testing.T
	address string
	accept  uint32 // bytes of a packet; 0 = any

	mu      sync.Mutex
	guests  map[net.Conn]map[string]bool // what each subscribed to
	came    []string                     // the user of every connection so far
	refuse  map[string]bool
	forbid  map[string]bool // it closes the connection when asked for these
	alone   bool            // it has no shared subscriptions
	silent  bool            // it answers no subscription
	largest int             // topics in one packet
	room    []uint16        // messages that each let be under way
}

// newPiped makes a station that the hub reaches without a network, for a bubble.
func newPiped(t *testing.T) (*station, *remote.Hub) {
	s := &station{t: t, address: "station:1883", guests: map[net.Conn]map[string]bool{}, refuse: map[string]bool{}, forbid: map[string]bool{}}
	hub := remote.NewHubVia(func() net.Conn {
		here, there := net.Pipe()
		go s.serve(there)
		return packets.NewThreadSafeConn(here)
	})
	t.Cleanup(func() { assert.NoError(t, hub.Close()) })
	return s, hub
}

func newStation(t *testing.T) *station {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &station{t: t, address: l.Addr().String(), guests: map[net.Conn]map[string]bool{}, refuse: map[string]bool{}}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	t.Cleanup(func() { _ = l.Close(); s.drop() })
	return s
}

// drop ends every connection.
func (s *station) drop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.guests {
		_ = c.Close()
	}
}

// serve answers one reader until it goes.
func (s *station) serve(c net.Conn) {
	defer func() {
		_ = c.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.guests, c)
	}()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		if answer := s.answer(c, p); answer != nil {
			s.mu.Lock()
			_, _ = answer.WriteTo(c)
			s.mu.Unlock()
		}
	}
}

// answer is what is said to a packet; nil = nothing.
func (s *station) answer(c net.Conn, p *packets.ControlPacket) *packets.ControlPacket {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch p := p.Content.(type) {
	case *packets.Connect:
		s.guests[c] = map[string]bool{}
		s.came = append(s.came, p.Username)
		s.room = append(s.room, *p.Properties.ReceiveMaximum)
		out := packets.NewControlPacket(packets.CONNACK)
		if s.alone {
			out.Content.(*packets.Connack).Properties.SharedSubAvailable = new(byte)
		}
		if s.accept != 0 {
			out.Content.(*packets.Connack).Properties.MaximumPacketSize = &s.accept
		}
		return out
	case *packets.Subscribe:
		if s.silent {
			return nil
		}
		if slices.ContainsFunc(p.Subscriptions, func(o packets.SubOptions) bool { return s.forbid[o.Topic] }) {
			_ = c.Close()
			return nil
		}
		out := packets.NewControlPacket(packets.SUBACK)
		out.Content.(*packets.Suback).PacketID = p.PacketID
		out.Content.(*packets.Suback).Reasons = s.take(c, p)
		return out
	case *packets.Unsubscribe:
		for _, topic := range p.Topics {
			delete(s.guests[c], topic)
		}
		out := packets.NewControlPacket(packets.UNSUBACK)
		out.Content.(*packets.Unsuback).PacketID = p.PacketID
		out.Content.(*packets.Unsuback).Reasons = make([]byte, len(p.Topics))
		return out
	case *packets.Pingreq:
		return packets.NewControlPacket(packets.PINGRESP)
	}
	return nil
}

// take subscribes to what is not refused. s.mu is held.
func (s *station) take(c net.Conn, p *packets.Subscribe) []byte {
	s.largest = max(s.largest, len(p.Subscriptions))
	var reasons []byte
	for _, sub := range p.Subscriptions {
		assert.EqualValues(s.t, 1, sub.QoS)
		assert.EqualValues(s.t, 2, sub.RetainHandling, "nothing from before")
		if s.refuse[sub.Topic] {
			reasons = append(reasons, packets.SubackNotauthorized)
			continue
		}
		s.guests[c][sub.Topic] = true
		reasons = append(reasons, 1)
	}
	return reasons
}

// send publishes to everyone who subscribed.
func (s *station) send(topic, payload string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c, topics := range s.guests {
		if topics[topic] {
			p := packets.NewControlPacket(packets.PUBLISH)
			content := p.Content.(*packets.Publish)
			content.Topic, content.Payload = topic, []byte(payload)
			_, _ = p.WriteTo(c)
		}
	}
}

// set changes how the station behaves.
func (s *station) set(change func(s *station)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(s)
}

// counts are the connections now, those that ever came, and the topics held now.
func (s *station) counts() (now, ever, topics int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, held := range s.guests {
		topics += len(held)
	}
	return len(s.guests), len(s.came), topics
}

// waitFor waits until so many connections and topics are there.
func (s *station) waitFor(now, topics int) {
	s.t.Helper()
	require.Eventually(s.t, func() bool {
		n, _, held := s.counts()
		return n == now && held == topics
	}, 20*time.Second, 10*time.Millisecond, "expected %d connections and %d topics", now, topics)
}

// options are those of a reader of a topic.
func (s *station) options(topic string) remote.Options {
	return remote.Options{Broker: "mqtt://" + s.address, Topic: topic, Clock: sensor.SystemClock()}
}

// begin lets a source take part, without waiting for a message.
func begin(t *testing.T, m *remote.MQTT) sensor.Reading {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return m.Read(ctx)
}

// open makes sources of topics and begins to read them.
func (s *station) open(hub *remote.Hub, topics ...string) []*remote.MQTT {
	var out []*remote.MQTT
	for _, topic := range topics {
		m := remote.New(hub, sensor.Distance, s.options(topic))
		begin(s.t, m)
		out = append(out, m)
	}
	return out
}

// many names so many topics.
func many(n int) []string {
	var out []string
	for i := range n {
		out = append(out, fmt.Sprintf("bakery/tub-%04d/height", i))
	}
	return out
}
