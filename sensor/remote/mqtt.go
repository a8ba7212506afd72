package remote

import (
	"cmp"
	"context"
	"sync"
	"time"

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
	hub *Hub

	started sync.Once
	closed  sync.Once
	shared  *connection   // nil before the first reading
	arrived chan struct{} // holds a token while a message waits to be read
	upset   chan struct{} // holds a token while a new trouble waits to be told

	mu      sync.Mutex
	latest  *sensor.Reading // not yet handed out
	last    time.Duration   // when something usable was received; or when we began
	ring    func()          // called when there is something to read; nil = nobody waits
	trouble string          // what stands in the way of messages; empty = nothing
	noise   sensor.NoiseMeter
}

// notYet is the trouble before anything was tried.
const notYet = "not connected yet"

// New reads q from a topic, over the connection that hub keeps for the login. It
// takes part in that from the first reading until it is closed.
func New(hub *Hub, q sensor.Quantity, opt Options) *MQTT {
	opt.StaleAfter = cmp.Or(opt.StaleAfter, 2*time.Minute)
	return &MQTT{q: q, opt: opt, hub: hub, arrived: make(chan struct{}, 1), upset: make(chan struct{}, 1), trouble: notYet}
}

// Patience is how long a reading may wait for the next message.
func (m *MQTT) Patience() time.Duration { return m.opt.StaleAfter + time.Second }

// Read waits for the next message, until ctx ends or the topic counts as stale.
// A message that arrived since the last reading is given at once, and so is the
// news that the broker is away or refuses us.
func (m *MQTT) Read(ctx context.Context) sensor.Reading {
	m.started.Do(m.start)
	m.mu.Lock()
	left := m.left()
	m.mu.Unlock()
	timer := time.NewTimer(left)
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

// left is how long the topic may still be silent. m.mu is held.
func (m *MQTT) left() time.Duration {
	_, now := m.opt.Clock()
	return max(m.opt.StaleAfter-(now-m.last), 0)
}

// Await has ring called once, by a goroutine of its own, when Read would return at
// once, and gives how long Read would wait at most; see poll.Awaited.
func (m *MQTT) Await(ring func()) time.Duration {
	if ring != nil {
		m.started.Do(m.start)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ring = nil
	left := m.left()
	if ring == nil || len(m.arrived)+len(m.upset) > 0 || left == 0 {
		return 0
	}
	m.ring = ring
	return left
}

// call lets the one who waits know. m.mu is held.
func (m *MQTT) call() {
	if m.ring != nil {
		go m.ring()
		m.ring = nil
	}
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

// start takes part in the connection.
func (m *MQTT) start() {
	m.mu.Lock()
	_, m.last = m.opt.Clock()
	m.mu.Unlock()
	m.shared = m.hub.join(m)
}

// Close takes no part in the connection any more; that of the last source ends it.
// The source cannot be read any more.
func (m *MQTT) Close() error {
	m.started.Do(func() {}) // a source never read has nothing to close
	var err error
	m.closed.Do(func() {
		if m.shared != nil {
			err = m.hub.leave(m, m.shared)
		}
	})
	return err
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
		m.call()
	}
	m.trouble = s
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
	m.call()
}
