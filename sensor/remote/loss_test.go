package remote

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
	"github.com/eclipse/paho.golang/paho/session"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

// reading makes a connection, without a broker, that came up for n topics.
func reading(t *testing.T, n int) *connection {
	c := &connection{wake: make(chan struct{}, 1), topics: map[string]*topic{}}
	c.up(t.Context(), nil)
	for i := range n {
		c.add(New(NewHub(), sensor.Distance, Options{Topic: fmt.Sprint(i), Clock: sensor.SystemClock()}))
	}
	return c
}

// again loses the connection and makes it anew.
func (c *connection) again(ctx context.Context) {
	c.down("the broker is away")
	c.up(ctx, nil)
}

// accept answers a batch as a broker does that refuses nothing.
func (c *connection) accept(b batch) bool {
	return c.answered(b, &paho.Suback{Reasons: make([]byte, len(b.take))}, nil)
}

// Topics that were under way when the connection was lost come after all others, by
// halves, until they are answered.
func TestTopicsUnderSuspicionComeLast(t *testing.T) {
	c := reading(t, 120)
	first := c.next()
	require.Len(t, first.take, 100)
	c.again(t.Context())
	assert.True(t, c.answered(first, nil, context.Canceled))
	fresh := c.next()
	assert.Len(t, fresh.take, 20)
	assert.NotSubset(t, first.take, fresh.take)
	c.accept(fresh)
	half := c.next()
	assert.Len(t, half.take, 50)
	assert.Subset(t, first.take, half.take)
	c.accept(half)
	other := c.next()
	assert.Len(t, other.take, 50)
	c.again(t.Context())
	c.answered(other, nil, context.Canceled)
	trusted := c.next()
	assert.Len(t, trusted.take, 70, "those that were answered, together again")
	c.accept(trusted)
	assert.Len(t, c.next().take, 25)
}

// A packet that was not sent, or that a broker has not answered yet, sets nothing
// aside.
func TestWhatSetsNoTopicAside(t *testing.T) {
	for name, c := range map[string]struct {
		ack  *paho.Suback
		err  error
		most int
	}{
		"not connected":     {nil, autopaho.ConnectionDownError, topicsAtOnce},
		"no session":        {nil, session.ErrNoConnection, topicsAtOnce},
		"no answer in time": {nil, context.DeadlineExceeded, 1},
		"an empty answer":   {&paho.Suback{}, errors.New("no topic"), 1},
	} {
		conn := reading(t, 1)
		for i := range 20 {
			if i == 10 {
				assert.Equal(t, c.most, conn.topics["0"].most, name)
				conn.topics["0"].most = 1 // as after a loss
			}
			b := conn.next()
			require.Len(t, b.take, 1, name)
			assert.False(t, conn.answered(b, c.ack, c.err), "%s: the next packet waits", name)
		}
		assert.Empty(t, conn.topics["0"].aside, name)
	}
}

// An answer that is looked at only after the loss of its connection says nothing of
// the next one.
func TestAnAnswerFromALostConnection(t *testing.T) {
	c := reading(t, 1)
	m := c.topics["0"].sources[0]
	b := c.next()
	require.Len(t, b.take, 1)
	c.down("the broker is away")
	assert.True(t, c.accept(b))
	assert.Equal(t, "the broker is away", m.trouble, "not connected")
	assert.Empty(t, c.next().take, "nothing is asked for")

	c.up(t.Context(), nil)
	assert.True(t, c.accept(b))
	again := c.next()
	assert.Len(t, again.take, 1, "it is asked for anew")
	assert.True(t, c.answered(b, nil, context.Canceled))
	assert.True(t, c.accept(again))
	assert.Empty(t, m.trouble)
	assert.Empty(t, c.next().take)
}
