package remote

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
	"github.com/eclipse/paho.golang/paho/session"
)

// Pauses before a topic that was set aside is tried again, doubling from the first to
// the last: each trial may cost all other topics the connection for a second.
const (
	firstPause = time.Minute
	lastPause  = 15 * time.Minute
)

// unanswered puts the topics of a packet under suspicion that got no whole answer:
// they are due again, in packets half as large, after all others. A topic that comes
// to nothing when it is alone is set aside, but not for a broker that is silent, which
// may answer later. It is false when the next packet should wait. c.mu is held.
func (c *connection) unanswered(b batch, ack *paho.Suback, err error) bool {
	unsent := errors.Is(err, autopaho.ConnectionDownError) || errors.Is(err, session.ErrNoConnection)
	refused := errors.Is(err, paho.ErrInvalidArguments) // by the library
	lost := b.life.Err() != nil
	patient := unsent || ack != nil || errors.Is(err, context.DeadlineExceeded)
	if ack != nil {
		err = fmt.Errorf("its answer is for %d topics, not %d", len(ack.Reasons), len(b.take))
	}
	for _, t := range b.take {
		c.list(t)
		switch {
		case !patient && t.most == 1 && refused:
			c.setAside(t, fmt.Sprintf("the topic %s cannot be subscribed to (%v); correct the topic", t.name, err))
		case !patient && t.most == 1:
			c.setAside(t, fmt.Sprintf("it closes the connection when asked for the topic %s; let our user read that topic in the broker's access rules, or correct the topic (it is tried again every few minutes)", t.name))
		case !unsent:
			t.most = (len(b.take) + 1) / 2
		}
		if !lost && t.aside == "" {
			t.tell(fmt.Sprintf("the topic %s cannot be subscribed to (%v)", t.name, err))
		}
	}
	return lost || refused
}

// trust takes a topic from under suspicion. When it had been set aside, the cause may
// be gone for the others too. c.mu is held.
func (c *connection) trust(t *topic) {
	t.most, t.aside = topicsAtOnce, ""
	if t == c.trying {
		c.tryOne()
	}
}

// setAside lets a topic not be asked for, until it is tried again. c.mu is held.
func (c *connection) setAside(t *topic, why string) {
	t.aside = why
	t.tell(why)
	if t == c.trying {
		c.trying = nil
	}
	if c.retry == nil {
		c.tryLater()
	}
}

// tryOne has one of the topics that were set aside asked for, whichever comes first.
// c.mu is held.
func (c *connection) tryOne() {
	c.trying, c.retry = nil, nil
	for _, t := range c.topics {
		if t.aside != "" {
			c.trying = t
			c.settleSoon(t)
			c.tryLater()
			return
		}
	}
	c.pause = 0
}

// tryLater has the next one tried after a longer pause. c.mu is held.
func (c *connection) tryLater() {
	c.pause = min(max(2*c.pause, firstPause), lastPause)
	c.retry = time.After(c.pause)
}
