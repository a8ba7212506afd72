package remote

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
)

// connection is a connection to a broker with the topics that sources read over it.
// It is made anew for as long as it is open.
//
// Locks are taken in this order: the Hub's, the connection's, that of a source.
type connection struct {
	login   login
	sources int // guarded by the Hub
	cancel  context.CancelFunc
	manager *autopaho.ConnectionManager // nil when there could be none
	wake    chan struct{}               // holds a token while topics are due
	ended   chan struct{}               // closed when nobody subscribes any more

	mu      sync.Mutex
	topics  map[string]*topic
	due     []*topic // to be asked for, or to be given up
	trouble string   // what stands in the way of all messages; empty = connected
	room    int      // bytes of topic names in one packet
	trying  *topic   // one that was set aside and may be asked for; nil = none

	life context.Context // ends when the connection is lost
	lost context.CancelFunc

	pause time.Duration    // before the next topic that was set aside is tried
	retry <-chan time.Time // when that is; nil = none is set aside; for subscribe only
}

// topic is a topic with those who read it.
type topic struct {
	name    string
	sources []*MQTT
	due     bool   // is in the list of the connection
	asked   bool   // the broker has answered, since the connection came
	most    int    // topics in one packet with it; fewer than topicsAtOnce = under suspicion
	aside   string // why it is not asked for; empty = it is
	trouble string // what its sources are told
}

// connect begins a connection. What stands in its way is told to its sources.
func connect(l login, dial dialer) *connection {
	ctx, cancel := context.WithCancel(context.Background())
	c := &connection{login: l, cancel: cancel, wake: make(chan struct{}, 1), ended: make(chan struct{}), topics: map[string]*topic{}, trouble: notYet}
	c.life, c.lost = context.WithCancel(ctx)
	c.lost() // there is none yet
	if _, err := l.password(); err != nil {
		c.trouble = err.Error() // it is read again for each attempt
	}
	cfg, err := l.config()
	if err == nil {
		cfg.AttemptConnection = dial
		cfg.OnConnectionUp = func(_ *autopaho.ConnectionManager, ack *paho.Connack) { c.up(ctx, ack) }
		cfg.OnConnectError = func(err error) { c.down(explain(err)) }
		cfg.OnConnectionDown = func() bool {
			c.down("the connection was lost and is being made anew")
			return true
		}
		cfg.OnPublishReceived = []func(paho.PublishReceived) (bool, error){c.receive}
		c.manager, err = autopaho.NewConnection(ctx, cfg)
	}
	if err != nil {
		c.trouble = err.Error()
		close(c.ended)
		return c
	}
	go c.subscribe(ctx)
	return c
}

// close ends the connection.
func (c *connection) close() error {
	c.cancel()
	if c.manager == nil {
		return nil
	}
	late := time.NewTimer(2 * time.Second)
	defer late.Stop()
	for _, done := range []<-chan struct{}{c.manager.Done(), c.ended} {
		select {
		case <-done:
		case <-late.C:
			return fmt.Errorf("mqtt: the connection to %s did not end in time", c.login.broker)
		}
	}
	return nil
}

// add lets a source have the messages of its topic.
func (c *connection) add(m *MQTT) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.topics[m.opt.Topic]
	if t == nil {
		t = &topic{name: m.opt.Topic, most: topicsAtOnce, trouble: c.trouble}
		if t.trouble == "" {
			t.trouble = notYet
		}
		c.topics[t.name] = t
	}
	t.sources = append(t.sources, m)
	m.setTrouble(t.trouble)
	c.settleSoon(t)
}

// remove lets a source have no more messages.
func (c *connection) remove(m *MQTT) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.topics[m.opt.Topic]
	if t == nil {
		return
	}
	t.sources = slices.DeleteFunc(t.sources, func(other *MQTT) bool { return other == m })
	if len(t.sources) == 0 {
		c.settleSoon(t)
	}
}

// receive hands a message to those who read its topic. A source keeps the newest
// only, so none holds up the others.
func (c *connection) receive(p paho.PublishReceived) (bool, error) {
	if p.Packet.Retain {
		return true, nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if t := c.topics[p.Packet.Topic]; t != nil {
		for _, m := range t.sources {
			m.keep(p.Packet.Payload)
		}
	}
	return true, nil
}

// up lets every topic be subscribed to, until ctx ends or the connection is lost.
func (c *connection) up(ctx context.Context, ack *paho.Connack) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.life, c.lost = context.WithCancel(ctx)
	c.trouble, c.room, c.due = "", roomFor(ack), nil
	for _, t := range c.topics {
		t.asked, t.due = false, false
		if t.aside != "" {
			t.tell(t.aside)
		}
		c.settleSoon(t)
	}
}

// down tells every source what stands in the way.
func (c *connection) down(trouble string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lost()
	c.trouble = trouble
	for _, t := range c.topics {
		t.tell(trouble)
	}
}

// tell lets the sources of a topic know of a trouble; empty = there is none.
func (t *topic) tell(trouble string) {
	t.trouble = trouble
	for _, m := range t.sources {
		m.setTrouble(trouble)
	}
}
