package remote

import (
	"context"
	"fmt"
	"time"

	"github.com/eclipse/paho.golang/paho"
)

// Limits of one packet that subscribes: brokers bound the size of a packet and how
// many topics one may carry. Common practice, no source.
const (
	topicsAtOnce = 100
	bytesAtOnce  = 8 << 10 // of topic names
)

// roomFor is how many bytes of topic names a packet may have: half of what the
// broker accepts is enough for what stands around them.
func roomFor(ack *paho.Connack) int {
	if ack == nil || ack.Properties == nil || ack.Properties.MaximumPacketSize == nil {
		return bytesAtOnce
	}
	return int(min(*ack.Properties.MaximumPacketSize/2, bytesAtOnce))
}

// batch is a part of the topics, to be asked for in one packet each way.
type batch struct {
	turn   int // of the connection
	take   []*topic
	giveUp []string
}

// list puts a topic on the list of those to be asked for or given up. c.mu is held.
func (c *connection) list(t *topic) {
	if !t.due {
		t.due = true
		c.due = append(c.due, t)
	}
}

// look has a topic asked for or given up at once. c.mu is held.
func (c *connection) look(t *topic) {
	c.list(t)
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// subscribe keeps the broker sending what is read, and nothing else, until ctx ends.
func (c *connection) subscribe(ctx context.Context) {
	defer close(c.ended)
	for failed := 0; ; {
		var again <-chan time.Time
		if failed > 0 {
			again = time.After(backOff(failed))
		}
		select {
		case <-ctx.Done():
			return
		case <-c.wake:
		case <-again:
		}
		if c.settle(ctx) {
			failed = 0
		} else {
			failed++
		}
	}
}

// settle goes through the list. It is false when the broker does not answer.
func (c *connection) settle(ctx context.Context) bool {
	for {
		b := c.next()
		if len(b.giveUp) > 0 { // if that fails, messages come that nobody reads
			_, _ = c.manager.Unsubscribe(ctx, &paho.Unsubscribe{Topics: b.giveUp})
		}
		if len(b.take) > 0 {
			ack, err := c.manager.Subscribe(ctx, &paho.Subscribe{Subscriptions: wishes(b.take)})
			if !c.answered(b, ack, err) {
				return false
			}
		} else if len(b.giveUp) == 0 {
			return true
		}
	}
}

// next takes a batch from the list; it is empty when there is nothing to do or no
// connection.
func (c *connection) next() batch {
	c.mu.Lock()
	defer c.mu.Unlock()
	b := batch{turn: c.turns}
	for bytes := 0; c.trouble == "" && len(c.due) > 0 && len(b.take)+len(b.giveUp) < topicsAtOnce; {
		t := c.due[0]
		bytes += len(t.name)
		if bytes > c.room && len(b.take)+len(b.giveUp) > 0 {
			break
		}
		c.due = c.due[1:]
		t.due = false
		switch {
		case len(t.sources) > 0 && !t.asked:
			b.take = append(b.take, t)
		case len(t.sources) == 0:
			delete(c.topics, t.name)
			if t.asked {
				b.giveUp = append(b.giveUp, t.name)
			}
		}
	}
	if len(c.due) == 0 {
		c.due = nil
	}
	return b
}

// wishes asks for topics, without the messages that the broker kept from before.
func wishes(topics []*topic) []paho.SubscribeOptions {
	const noRetained = 2 // MQTT 5, retain handling
	var out []paho.SubscribeOptions
	for _, t := range topics {
		out = append(out, paho.SubscribeOptions{Topic: t.name, QoS: 1, RetainHandling: noRetained})
	}
	return out
}

// answered takes in what the broker said to each topic of a batch. It is false when
// it said nothing, though it is connected; the topics are due again then.
func (c *connection) answered(b batch, ack *paho.Suback, err error) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.turns != b.turn {
		return true // the connection is another one by now, or gone
	}
	silent := false
	for i, t := range b.take {
		switch {
		case ack == nil || i >= len(ack.Reasons):
			silent = true
			t.tell(fmt.Sprintf("the topic %s cannot be subscribed to (%v)", t.name, err))
			c.list(t)
		case ack.Reasons[i] >= 0x80:
			t.asked = true
			t.tell(fmt.Sprintf("it refuses the topic %s (reason 0x%02x)", t.name, ack.Reasons[i]))
		default:
			t.asked = true
			t.tell("")
		}
	}
	return !silent
}
