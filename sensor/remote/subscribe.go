package remote

import (
	"cmp"
	"context"
	"fmt"
	"slices"
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
	life   context.Context // of the connection
	take   []*topic
	giveUp []string
}

// full tells whether a topic must wait for the next packet. Topics under suspicion
// stay among themselves.
func (b batch) full(t *topic) bool {
	return len(b.take)+len(b.giveUp) == topicsAtOnce ||
		len(b.take) > 0 && (len(b.take) >= t.most || b.take[0].most != t.most)
}

// list puts a topic on the list of those to be asked for or given up. c.mu is held.
func (c *connection) list(t *topic) {
	if !t.due {
		t.due = true
		c.due = append(c.due, t)
	}
}

// settleSoon has a topic asked for or given up at once. c.mu is held.
func (c *connection) settleSoon(t *topic) {
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
		case <-c.retry:
			c.mu.Lock()
			c.tryOne()
			c.mu.Unlock()
		}
		if c.settle() {
			failed = 0
		} else {
			failed++
		}
	}
}

// settle goes through the list. It is false when the broker does not answer.
func (c *connection) settle() bool {
	for {
		b := c.next()
		if len(b.giveUp) > 0 { // if that fails, messages come that nobody reads
			_, _ = c.manager.Unsubscribe(b.life, &paho.Unsubscribe{Topics: b.giveUp})
		}
		if len(b.take) > 0 {
			ack, err := c.manager.Subscribe(b.life, &paho.Subscribe{Subscriptions: wishes(b.take)})
			if !c.answered(b, ack, err) {
				return false
			}
		} else if len(b.giveUp) == 0 {
			return true
		}
	}
}

// next takes a batch from the list, what is least under suspicion first; it is empty
// when there is nothing to do or no connection.
func (c *connection) next() batch {
	c.mu.Lock()
	defer c.mu.Unlock()
	b := batch{life: c.life}
	slices.SortStableFunc(c.due, func(x, y *topic) int { return cmp.Compare(y.most, x.most) })
	for bytes := 0; c.life.Err() == nil && len(c.due) > 0; {
		t := c.due[0]
		bytes += len(t.name)
		if b.full(t) || bytes > c.room && len(b.take)+len(b.giveUp) > 0 {
			break
		}
		c.due = c.due[1:]
		t.due = false
		switch {
		case len(t.sources) > 0 && !t.asked && (t.aside == "" || t == c.trying):
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
// the next packet should wait.
func (c *connection) answered(b batch, ack *paho.Suback, err error) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if ack == nil || len(ack.Reasons) < len(b.take) {
		return c.unanswered(b, ack, err)
	}
	if b.life.Err() != nil {
		return true // the connection is another one by now, or gone
	}
	for i, t := range b.take {
		t.asked = true
		c.trust(t)
		if ack.Reasons[i] >= 0x80 {
			t.tell(fmt.Sprintf("it refuses the topic %s (reason 0x%02x)", t.name, ack.Reasons[i]))
		} else {
			t.tell("")
		}
	}
	return true
}
