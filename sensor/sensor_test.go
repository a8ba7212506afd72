package sensor_test

import (
	"context"
	"math"
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
	at []time.Duration
	r  []sensor.Reading
}

// polled polls jobs for a while in a bubble and returns what each delivered.
func polled(t *testing.T, d time.Duration, begin func(), jobs ...sensor.Job) []log {
	logs := make([]log, len(jobs))
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), d)
		defer cancel()
		start := time.Now()
		for i := range jobs {
			jobs[i].Deliver = func(r sensor.Reading) {
				logs[i].at, logs[i].r = append(logs[i].at, time.Since(start)), append(logs[i].r, r)
			}
		}
		if begin != nil {
			begin()
		}
		sensor.Poll(ctx, jobs)
		assert.Error(t, ctx.Err(), "Poll ends with its context only")
		time.Sleep(time.Hour) // lets hanging reads end
	})
	return logs
}

// good takes some time for a good reading.
func good(takes time.Duration) source {
	return func(context.Context) sensor.Reading {
		time.Sleep(takes)
		return sensor.Reading{Status: sensor.OK, Value: 1}
	}
}

// answers gives a status.
func answers(status func() sensor.Status) source {
	return func(context.Context) sensor.Reading { return sensor.Reading{Status: status()} }
}

func TestPollReadsAtItsInterval(t *testing.T) {
	l := polled(t, 10500*time.Millisecond, nil, sensor.Job{Bus: "a", Source: good(750 * time.Millisecond), Every: 2 * time.Second})
	var want []time.Duration
	for i := range 5 {
		want = append(want, time.Duration(i)*2*time.Second+750*time.Millisecond)
	}
	assert.Equal(t, want, l[0].at, "the time of a reading does not add to the pause")
}

func TestAHangingSourceHoldsUpNobodyElse(t *testing.T) {
	l := polled(t, 59500*time.Millisecond, nil,
		sensor.Job{Bus: "a", Source: good(30 * time.Second), Quantity: sensor.Distance, Every: time.Second, Timeout: 2 * time.Second}, // looks at no context
		sensor.Job{Bus: "a", Source: good(0), Every: time.Second},
		sensor.Job{Bus: "b", Source: good(0), Every: time.Second})
	assert.Len(t, l[2].at, 60, "another bus does not notice")
	assert.Greater(t, len(l[1].at), 50, "the same bus waits only for the deadline")
	assert.NotEmpty(t, l[0].r)
	for _, r := range l[0].r {
		assert.Equal(t, sensor.ReadFailed, r.Status, "the late value is too old to be served")
		assert.Equal(t, sensor.Distance, r.Quantity)
		assert.Error(t, r.Err)
	}
	assert.Equal(t, 2*time.Second, l[0].at[0])
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

// A source that fails is asked less and less. An empty vessel is no reason for that, nor is
// a source with nothing new, of which nothing is delivered.
func TestAFailingSourceIsAskedLessAndLess(t *testing.T) {
	asked := 0
	l := polled(t, 5*time.Minute, nil,
		sensor.Job{Bus: "a", Source: answers(func() sensor.Status { return sensor.Missing }), Every: time.Second},
		sensor.Job{Bus: "b", Source: answers(func() sensor.Status { return sensor.OutOfRange }), Every: time.Second},
		sensor.Job{Bus: "c", Every: time.Second, Source: answers(func() sensor.Status {
			if asked++; asked%20 == 0 {
				return sensor.OK
			}
			return ""
		})})
	at := l[0].at
	assert.Equal(t, []time.Duration{0, time.Second, 2 * time.Second}, at[:3], "at first at its interval")
	last := at[len(at)-1] - at[len(at)-2]
	assert.InDelta(t, 30, last.Seconds(), 6.1, "30 s, by a fifth more or less")
	assert.Less(t, len(at), 25)
	assert.NotEqual(t, at[len(at)-2]-at[len(at)-3], last, "chance spreads the moments")
	assert.InDelta(t, 300, len(l[1].at), 1)
	assert.InDelta(t, 300, asked, 1)
	assert.Equal(t, []time.Duration{19 * time.Second, 39 * time.Second, 59 * time.Second}, l[2].at[:3])
}

// A hurried job is read faster at once, and at its own interval again afterwards;
// the other job of its bus is read as before all the while.
func TestAHurriedJobLeavesOthersTheirTurn(t *testing.T) {
	interval := &sensor.Interval{}
	l := polled(t, 5*time.Minute, func() {
		time.AfterFunc(95*time.Second, func() { interval.Set(500 * time.Millisecond) })
		time.AfterFunc(105*time.Second, func() { interval.Set(0) })
	}, sensor.Job{Bus: "a", Source: good(300 * time.Millisecond), Every: 30 * time.Second, Interval: interval},
		sensor.Job{Bus: "a", Source: good(300 * time.Millisecond), Every: 10 * time.Second})
	var fast int
	for _, at := range l[0].at {
		if at > 95*time.Second && at < 106*time.Second {
			fast++
		}
	}
	assert.InDelta(t, 20, fast, 2, "%v", l[0].at)
	assert.InDelta(t, 10+20, len(l[0].at), 3)
	require.Len(t, l[1].at, 30)
	for i, at := range l[1].at {
		assert.InDelta(t, float64(i)*10+0.3, at.Seconds(), 1)
	}
}

// TestPollTellsWhatWasNotReadInTime lets a slow source share a bus with a quick one:
// the quick one is then due long before its turn comes.
func TestPollTellsWhatWasNotReadInTime(t *testing.T) {
	var took []time.Duration
	var missed, alone uint64
	polled(t, 20*time.Second, nil,
		sensor.Job{Bus: "a", Source: good(7 * time.Second), Every: 14 * time.Second},
		sensor.Job{Bus: "a", Source: good(100 * time.Millisecond), Every: 2 * time.Second, Timed: func(d time.Duration, n uint64) { took = append(took, d); missed += n }},
		sensor.Job{Bus: "b", Source: good(100 * time.Millisecond), Every: 2 * time.Second, Timed: func(_ time.Duration, n uint64) { alone += n }})
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
