package poll_test

import (
	"context"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/sensor"
	"tidemark/sensor/poll"
)

// fed is a source that the test feeds.
type fed struct {
	mu     sync.Mutex
	ring   func()
	waits  chan sensor.Reading
	atMost time.Duration
}

func newFed(atMost time.Duration) *fed {
	return &fed{waits: make(chan sensor.Reading, 1), atMost: atMost}
}

func (f *fed) Patience() time.Duration { return f.atMost + time.Second }
func (f *fed) Close() error            { return nil }

func (f *fed) Read(context.Context) sensor.Reading {
	select {
	case r := <-f.waits:
		return r
	default:
		return sensor.Reading{Status: sensor.Stale}
	}
}

func (f *fed) Await(ring func()) time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ring = nil
	if ring == nil || len(f.waits) > 0 {
		return 0
	}
	f.ring = ring
	return f.atMost
}

// feed gives it a value.
func (f *fed) feed(v float64) { f.put(sensor.Reading{Status: sensor.OK, Value: v}) }

// put gives it a reading in place of one that nobody took.
func (f *fed) put(r sensor.Reading) {
	f.mu.Lock()
	defer f.mu.Unlock()
	select {
	case <-f.waits:
	default:
	}
	f.waits <- r
	if f.ring != nil {
		go f.ring()
		f.ring = nil
	}
}

// awaited tells whether somebody waits for a value.
func (f *fed) awaited() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.ring != nil
}

// values are those that were delivered.
func (l *log) values() []float64 {
	var out []float64
	for _, r := range l.r {
		out = append(out, r.Value)
	}
	return out
}

// A source that others feed is read when it has something, at most at its pace, and
// at its deadline when it has nothing; no goroutine waits for it.
func TestAnAwaitedSourceIsReadWhenItHasSomething(t *testing.T) {
	var l log
	var waiting []int
	run(t, 100*time.Second, func(start time.Time) []poll.Job {
		f := newFed(60 * time.Second)
		before := runtime.NumGoroutine()
		for s, v := range map[time.Duration]float64{2500: 1, 5000: 2, 5100: 3, 5900: 4} { // the pace is a second
			time.AfterFunc(s*time.Millisecond, func() { f.feed(v) })
		}
		time.AfterFunc(4*time.Second, func() { waiting = append(waiting, runtime.NumGoroutine()-before) })
		return []poll.Job{{Bus: "a", Source: f, Every: time.Second, Deliver: l.deliver(start)}}
	})
	assert.Equal(t, []time.Duration{2500 * time.Millisecond, 5 * time.Second, 5100 * time.Millisecond, 6 * time.Second, 67 * time.Second}, l.at[:5])
	assert.Equal(t, []float64{1, 2, 3, 4, 0}, l.values()[:5])
	assert.Equal(t, sensor.Stale, l.r[4].Status)
	assert.Equal(t, []int{1}, waiting, "the function that counts, and no other")
}

// Two awaited sources of one bus are read one after the other.
func TestAwaitedSourcesMayShareABus(t *testing.T) {
	var l log
	run(t, 10*time.Second, func(start time.Time) []poll.Job {
		job := func(v float64) poll.Job {
			f := newFed(time.Minute)
			f.feed(v)
			return poll.Job{Bus: "a", Source: f, Every: time.Hour, Deliver: l.deliver(start)}
		}
		return []poll.Job{job(1), job(2)}
	})
	assert.ElementsMatch(t, []float64{1, 2}, l.values())
}

func TestAnAwaitedSourceCanBeHurried(t *testing.T) {
	var l log
	var took []time.Duration
	run(t, 100*time.Second, func(start time.Time) []poll.Job {
		f, pace := newFed(time.Minute), &poll.Pace{}
		for i := range 100 {
			time.AfterFunc(time.Duration(i)*time.Second, func() { f.feed(float64(i)) })
		}
		time.AfterFunc(45*time.Second, func() { pace.Set(500 * time.Millisecond) })
		time.AfterFunc(55*time.Second+time.Millisecond, func() { pace.Set(0) })
		return []poll.Job{{Bus: "a", Source: f, Every: 30 * time.Second, Pace: pace, Deliver: func(r sensor.Reading) {
			l.deliver(start)(r)
			if len(l.r)%2 == 0 {
				pace.Set(0) // a pace may be set from here
			}
		}, Timed: func(d time.Duration, _ uint64) { took = append(took, d) }}}
	})
	assert.Greater(t, len(l.at), 3)
	assert.Contains(t, l.at, 45*time.Second, "at once")
	assert.LessOrEqual(t, took[0], time.Second)
}

// A failing source that others feed is asked less and less often too.
func TestAnAwaitedSourceThatFails(t *testing.T) {
	var l log
	run(t, 5*time.Minute, func(start time.Time) []poll.Job {
		f := newFed(time.Hour)
		for i := range 300 {
			time.AfterFunc(time.Duration(i)*time.Second, func() { f.put(sensor.Reading{Status: sensor.Missing}) })
		}
		return []poll.Job{{Bus: "a", Source: f, Every: time.Second, Deliver: l.deliver(start)}}
	})
	assert.Less(t, len(l.at), 25)
	assert.Greater(t, len(l.at), 8)
}

// A job may wait less long than its source would.
func TestAnAwaitedSourceIsReadAtTheDeadlineOfItsJob(t *testing.T) {
	var l log
	run(t, 70*time.Second, func(start time.Time) []poll.Job {
		return []poll.Job{{Bus: "a", Source: newFed(60 * time.Second), Every: time.Second, Timeout: 40 * time.Second, Deliver: l.deliver(start)}}
	})
	assert.Equal(t, []time.Duration{40 * time.Second}, l.at)
}

// After Run nobody waits for the source any more, so that it keeps no ended job.
func TestAnAwaitedSourceIsLetGo(t *testing.T) {
	f := newFed(time.Minute)
	run(t, 10*time.Second, func(time.Time) []poll.Job {
		time.AfterFunc(5*time.Second, func() { assert.True(t, f.awaited(), "it waits while Run goes on") })
		return []poll.Job{{Bus: "a", Source: f, Every: time.Second, Deliver: func(sensor.Reading) {}}}
	})
	assert.False(t, f.awaited())
}
