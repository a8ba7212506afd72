package sensor_test

import (
	"context"
	"math"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
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
func run(t *testing.T, d time.Duration, jobs func(start time.Time) []sensor.Job) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), d)
		defer cancel()
		sensor.Poll(ctx, jobs(time.Now()))
		assert.Error(t, ctx.Err(), "Poll ends with its context only")
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

func TestPollReadsAtItsInterval(t *testing.T) {
	var l log
	run(t, 10500*time.Millisecond, func(start time.Time) []sensor.Job {
		return []sensor.Job{{Bus: "a", Source: good(750 * time.Millisecond), Every: 2 * time.Second, Deliver: l.deliver(start)}}
	})
	want := []time.Duration{750, 2750, 4750, 6750, 8750}
	for i := range want {
		want[i] *= time.Millisecond
	}
	assert.Equal(t, want, l.at, "the time of a reading does not add to the pause")
}

func TestAHangingSourceHoldsUpNobodyElse(t *testing.T) {
	var hung, neighbour, other log
	run(t, 59500*time.Millisecond, func(start time.Time) []sensor.Job {
		stuck := source(func(context.Context) sensor.Reading { // looks at no context
			time.Sleep(30 * time.Second)
			return sensor.Reading{Status: sensor.OK, Value: 99}
		})
		return []sensor.Job{
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
		assert.Error(t, r.Err)
	}
	assert.Equal(t, 2*time.Second, hung.at[0])
}

// A call under way has ended when Poll returns, so that its source can be closed; one
// that hangs is not waited for longer than two seconds.
func TestPollWaitsForCallsUnderWay(t *testing.T) {
	for takes, want := range map[time.Duration]time.Duration{1500 * time.Millisecond: 1500 * time.Millisecond, time.Hour: 3 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			var ended atomic.Bool
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			sensor.Poll(ctx, []sensor.Job{{Every: time.Hour, Deliver: func(sensor.Reading) {}, Source: source(func(context.Context) sensor.Reading {
				time.Sleep(takes)
				ended.Store(true)
				return sensor.Reading{}
			})}})
			assert.Equal(t, want, time.Since(start))
			assert.Equal(t, takes < time.Hour, ended.Load())
			time.Sleep(time.Hour)
		})
	}
}

func TestAFailingSourceIsAskedLessAndLess(t *testing.T) {
	var l log
	run(t, 5*time.Minute, func(start time.Time) []sensor.Job {
		gone := source(func(context.Context) sensor.Reading { return sensor.Reading{Status: sensor.Missing} })
		return []sensor.Job{{Bus: "a", Source: gone, Every: time.Second, Deliver: l.deliver(start)}}
	})
	assert.Equal(t, []time.Duration{0, time.Second, 2 * time.Second}, l.at[:3], "at first at its interval")
	last := l.at[len(l.at)-1] - l.at[len(l.at)-2]
	assert.InDelta(t, 30, last.Seconds(), 6.1, "30 s, by a fifth more or less")
	assert.Less(t, len(l.at), 25)
	assert.NotEqual(t, l.at[len(l.at)-2]-l.at[len(l.at)-3], last, "chance spreads the moments")
}

// An empty vessel is no reason to ask less, nor is a source with nothing new, of which
// nothing is delivered.
func TestASourceThatAnswersIsAskedOn(t *testing.T) {
	for name, c := range map[string]struct {
		answer func(asked int) sensor.Status
		want   int
	}{
		"empty": {func(int) sensor.Status { return sensor.OutOfRange }, 60},
		"new seldom": {func(asked int) sensor.Status {
			if asked%20 == 0 {
				return sensor.OK
			}
			return ""
		}, 3},
	} {
		var l log
		asked := 0
		run(t, 59500*time.Millisecond, func(start time.Time) []sensor.Job {
			s := source(func(context.Context) sensor.Reading { asked++; return sensor.Reading{Status: c.answer(asked)} })
			return []sensor.Job{{Bus: "a", Source: s, Every: time.Second, Deliver: l.deliver(start)}}
		})
		assert.Equal(t, 60, asked, name)
		assert.Len(t, l.at, c.want, name)
	}
}

// A hurried job is read faster at once, and at its own interval again afterwards;
// the other job of its bus is read as before all the while.
func TestAHurriedJobLeavesOthersTheirTurn(t *testing.T) {
	var hurried, other log
	run(t, 5*time.Minute, func(start time.Time) []sensor.Job {
		interval := &sensor.Interval{}
		time.AfterFunc(95*time.Second, func() { interval.Set(500 * time.Millisecond) })
		time.AfterFunc(105*time.Second, func() { interval.Set(0) })
		return []sensor.Job{
			{Bus: "a", Source: good(300 * time.Millisecond), Every: 30 * time.Second, Interval: interval, Deliver: hurried.deliver(start)},
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

// TestPollTellsWhatWasNotReadInTime lets a slow source share a bus with a quick one:
// the quick one is then due long before its turn comes.
func TestPollTellsWhatWasNotReadInTime(t *testing.T) {
	var l log
	var took []time.Duration
	var missed, alone uint64
	run(t, 20*time.Second, func(start time.Time) []sensor.Job {
		return []sensor.Job{
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

func TestTaken(t *testing.T) {
	for name, c := range map[string]struct {
		value float64
		err   error
		want  sensor.Status
	}{
		"good": {5, nil, sensor.OK}, "no number": {math.NaN(), nil, sensor.BadData}, "endless": {math.Inf(1), nil, sensor.BadData},
		"fault": {0, sensor.Fault(sensor.Stale, "range.empty"), sensor.Stale}, "other error": {0, assert.AnError, sensor.ReadFailed},
		"OK is no fault": {0, sensor.Fault(sensor.OK, "range.empty"), sensor.ReadFailed},
	} {
		r := sensor.Taken(sensor.Distance, c.value, 1, c.err)
		assert.Equal(t, c.want, r.Status, name)
		assert.Equal(t, c.want == sensor.OK, r.Err == nil, name)
		assert.Equal(t, c.want != sensor.OK, math.IsNaN(r.Value), name)
	}
}
