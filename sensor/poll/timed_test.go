package poll_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/sensor/poll"
)

// TestTellsWhatWasNotReadInTime lets a slow source share a bus with a quick one:
// the quick one is then due long before its turn comes.
func TestTellsWhatWasNotReadInTime(t *testing.T) {
	var l log
	var took []time.Duration
	var missed, alone uint64
	run(t, 20*time.Second, func(start time.Time) []poll.Job {
		return []poll.Job{
			{Bus: "a", Source: good(7 * time.Second), Every: 14 * time.Second, Deliver: l.deliver(start)},
			{Bus: "a", Source: good(100 * time.Millisecond), Every: 2 * time.Second, Deliver: l.deliver(start),
				Timed: func(d time.Duration, n uint64) { took = append(took, d); missed += n }},
			{Bus: "b", Source: good(100 * time.Millisecond), Every: 2 * time.Second, Deliver: l.deliver(start),
				Timed: func(_ time.Duration, n uint64) { alone += n }},
		}
	})
	assert.Zero(t, alone)
	assert.Equal(t, uint64(3), missed, "7 s late hold three intervals of 2 s; the second slow reading is still under way")
	assert.Equal(t, 100*time.Millisecond, took[0])
}
