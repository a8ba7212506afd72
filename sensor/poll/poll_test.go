package poll_test

import (
	"context"
	"runtime"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/poll"
)

// source calls a function for each reading.
type source func(ctx context.Context) sensor.Reading

func (s source) Read(ctx context.Context) sensor.Reading { return s(ctx) }
func (s source) Close() error                            { return nil }

// log keeps when which readings were delivered.
type log struct {
	mu sync.Mutex
	at []time.Duration
	r  []sensor.Reading
}

func (l *log) deliver(start time.Time) func(sensor.Reading) {
	return func(r sensor.Reading) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.at, l.r = append(l.at, time.Since(start)), append(l.r, r)
	}
}

// run polls jobs for a while in a bubble.
func run(t *testing.T, d time.Duration, jobs func(start time.Time) []poll.Job) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), d)
		defer cancel()
		poll.Run(ctx, sensor.SystemClock(), jobs(time.Now()))
		assert.Error(t, ctx.Err(), "Run ends with its context only")
		time.Sleep(time.Hour) // lets hanging reads end
	})
}

// good takes some time for a good reading.
func good(takes time.Duration) source {
	return func(context.Context) sensor.Reading {
		time.Sleep(takes)
		return sensor.Reading{Status: sensor.OK, Value: 1}
	}
}

func TestReadsAtItsPace(t *testing.T) {
	var l log
	run(t, 10500*time.Millisecond, func(start time.Time) []poll.Job {
		return []poll.Job{{Bus: "a", Source: good(750 * time.Millisecond), Every: 2 * time.Second, Deliver: l.deliver(start)}}
	})
	want := []time.Duration{750, 2750, 4750, 6750, 8750}
	for i := range want {
		want[i] *= time.Millisecond
	}
	assert.Equal(t, want, l.at, "the time of a reading does not add to the pause")
}

func TestAHangingSourceHoldsUpNobodyElse(t *testing.T) {
	var hung, neighbour, other log
	run(t, 59500*time.Millisecond, func(start time.Time) []poll.Job {
		stuck := source(func(context.Context) sensor.Reading { // looks at no context
			time.Sleep(30 * time.Second)
			return sensor.Reading{Status: sensor.OK, Value: 99}
		})
		return []poll.Job{
			{Bus: "a", Source: stuck, Quantity: sensor.Distance, Every: time.Second, Timeout: 2 * time.Second, Deliver: hung.deliver(start)},
			{Bus: "a", Source: good(0), Every: time.Second, Deliver: neighbour.deliver(start)},
			{Bus: "b", Source: good(0), Every: time.Second, Deliver: other.deliver(start)},
		}
	})
	assert.Len(t, other.at, 60, "another bus does not notice")
	assert.Greater(t, len(neighbour.at), 50, "the same bus waits only for the deadline")
	assert.NotEmpty(t, hung.r)
	for _, r := range hung.r {
		assert.Equal(t, sensor.ReadFailed, r.Status, "the late value is too old to be served")
		assert.Equal(t, sensor.Distance, r.Quantity)
		assert.NotEmpty(t, r.Reason)
	}
	assert.Equal(t, 3*time.Second, hung.at[0])
}

func TestAFailingSourceIsAskedLessAndLess(t *testing.T) {
	var l log
	run(t, 5*time.Minute, func(start time.Time) []poll.Job {
		gone := source(func(context.Context) sensor.Reading { return sensor.Reading{Status: sensor.Missing} })
		return []poll.Job{{Bus: "a", Source: gone, Every: time.Second, Deliver: l.deliver(start)}}
	})
	assert.Equal(t, []time.Duration{0, time.Second, 2 * time.Second}, l.at[:3], "at first at its pace")
	last := l.at[len(l.at)-1] - l.at[len(l.at)-2]
	assert.InDelta(t, 30, last.Seconds(), 6.1, "30 s, by a fifth more or less")
	assert.Less(t, len(l.at), 25)
	assert.NotEqual(t, l.at[len(l.at)-2]-l.at[len(l.at)-3], last, "chance spreads the moments")
}

func TestAnEmptyVesselIsNoReasonToAskLess(t *testing.T) {
	var l log
	run(t, 59500*time.Millisecond, func(start time.Time) []poll.Job {
		far := source(func(context.Context) sensor.Reading { return sensor.Reading{Status: sensor.OutOfRange} })
		return []poll.Job{{Bus: "a", Source: far, Every: time.Second, Deliver: l.deliver(start)}}
	})
	assert.Len(t, l.at, 60)
}

func TestPaceReturnsAfterAFault(t *testing.T) {
	var l log
	run(t, 3*time.Minute, func(start time.Time) []poll.Job {
		s := source(func(context.Context) sensor.Reading {
			if time.Since(start) < time.Minute {
				return sensor.Reading{Status: sensor.ReadFailed}
			}
			return sensor.Reading{Status: sensor.OK}
		})
		return []poll.Job{{Bus: "a", Source: s, Every: time.Second, Deliver: l.deliver(start)}}
	})
	n := len(l.at)
	assert.Equal(t, time.Second, l.at[n-1]-l.at[n-2])
	first := time.Duration(0)
	for i, r := range l.r {
		if r.Status == sensor.OK {
			first = l.at[i]
			break
		}
	}
	assert.Less(t, first, time.Minute+37*time.Second, "noticed within the longest pause")
}

// patient waits as long as it is let.
type patient struct{ source }

func (patient) Patience() time.Duration { return time.Minute }

func TestAPatientSourceGetsItsTime(t *testing.T) {
	for _, c := range []struct{ timeout, want time.Duration }{{0, time.Minute}, {40 * time.Second, 40 * time.Second}} {
		var l log
		var standBy int // goroutines while it waits
		run(t, c.want+5*time.Second, func(start time.Time) []poll.Job {
			before := runtime.NumGoroutine()
			s := patient{func(ctx context.Context) sensor.Reading {
				standBy = runtime.NumGoroutine() - before
				<-ctx.Done()
				return sensor.Reading{Status: sensor.Stale}
			}}
			return []poll.Job{{Bus: "a", Source: s, Every: time.Second, Timeout: c.timeout, Deliver: l.deliver(start)}}
		})
		assert.Equal(t, []time.Duration{c.want}, l.at)
		assert.Equal(t, 1, standBy, "the bus alone")
	}
}

// A hurried job is read faster at once, and at its own pace again afterwards; the
// other job of its bus is read as before all the while.
func TestAHurriedJobLeavesOthersTheirTurn(t *testing.T) {
	var hurried, other log
	run(t, 5*time.Minute, func(start time.Time) []poll.Job {
		pace := &poll.Pace{}
		time.AfterFunc(95*time.Second, func() { pace.Set(500 * time.Millisecond) })
		time.AfterFunc(105*time.Second, func() { pace.Set(0) })
		return []poll.Job{
			{Bus: "a", Source: good(300 * time.Millisecond), Every: 30 * time.Second, Pace: pace, Deliver: hurried.deliver(start)},
			{Bus: "a", Source: good(300 * time.Millisecond), Every: 10 * time.Second, Deliver: other.deliver(start)},
		}
	})
	var fast int
	for _, at := range hurried.at {
		if at > 95*time.Second && at < 106*time.Second {
			fast++
		}
	}
	assert.InDelta(t, 20, fast, 2, "%v", hurried.at)
	assert.InDelta(t, 10+20, len(hurried.at), 3)
	require.Len(t, other.at, 30)
	for i, at := range other.at {
		assert.InDelta(t, float64(i)*10+0.3, at.Seconds(), 1)
	}
}

// To hurry one job does not wake another from its back-off.
func TestHurryLeavesTheBackOffOfOthers(t *testing.T) {
	var dead log
	run(t, 10*time.Minute, func(start time.Time) []poll.Job {
		pace := &poll.Pace{}
		pace.Set(time.Second)
		return []poll.Job{
			{Bus: "a", Source: good(10 * time.Millisecond), Every: 10 * time.Second, Pace: pace, Deliver: func(sensor.Reading) { pace.Set(time.Second) }},
			{Bus: "a", Every: time.Second, Deliver: dead.deliver(start), Source: source(func(context.Context) sensor.Reading {
				return sensor.Reading{Status: sensor.Missing}
			})},
		}
	})
	assert.Less(t, len(dead.at), 40)
}
