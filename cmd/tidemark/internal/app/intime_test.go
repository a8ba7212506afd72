package app

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// TestAdviceInTheEvening: a dough that would be ready at night is told while somebody
// is up, by message and on the page alike, and the button that it names settles it.
func TestAdviceInTheEvening(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.start = b.start.Add(10*time.Hour + 10*time.Minute) // 19:10: doubled at about 00:30 by itself
	b.every = 30 * time.Second
	b.slow = 1.4
	b.clock.Set(b.start)
	told := func() *alert.Alarm {
		for _, a := range b.vessel().Alarms {
			if a.Kind == alert.InTime && a.State != alert.Resolved {
				return &a
			}
		}
		return nil
	}
	var a *alert.Alarm
	for at := 10 * time.Minute; a == nil && at < 5*time.Hour; at += 10 * time.Minute {
		b.run(at)
		a = told()
	}
	require.NotNil(t, a, "nothing was told before bedtime")
	now := b.clock.Now()
	assert.True(t, now.Hour() < 23, now)
	s := b.app.State("tub")
	require.NotNil(t, s.Advice)
	assert.Equal(t, bake.TodoInTime, s.Now.Key)
	assert.True(t, strings.HasPrefix(a.Text, "Ready about Sun 0"), a.Text)
	assert.Contains(t, a.Text, "while you sleep. Into the fridge")
	b.do(bake.Event{Kind: s.Now.Tap})
	assert.Nil(t, b.app.State("tub").Advice)
	b.run(now.Sub(b.start) + 8*time.Minute)
	assert.Nil(t, told())
}
