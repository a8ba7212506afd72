package app

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/alert"
)

// sleep suspends the machine: its clocks and the dough go on, nothing else does.
func (b *stepBench) sleep(d time.Duration) {
	b.m.tick(d)
	b.rose += d
}

// unread lets the watch go on while no sensor answers.
func (b *stepBench) unread(d time.Duration) {
	for range int(d / sampledEvery) {
		b.m.tick(sampledEvery)
		b.rose += sampledEvery
		b.app.FollowClock(b.t.Context())
		b.raised = append(b.raised, b.app.Advance(b.app.opt.Clock.Now())...)
	}
}

// TestASuspendedMachineLosesNothing sleeps in mid-rise, also while its clock is
// set: the rise goes on, what was due meanwhile is told on waking, and no sensor is
// told as lost before it was asked.
func TestASuspendedMachineLosesNothing(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		set  time.Duration
	}{{"clock right", 0}, {"set forth while asleep", 3 * time.Hour}, {"set back while asleep", -3 * time.Hour}} {
		t.Run(c.name, func(t *testing.T) {
			b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
			defer b.stop()
			b.rise(crossing() - time.Hour)
			id := b.vessel().RiseID
			b.sleep(40 * time.Minute)
			b.m.set(b.m.now().Add(c.set))
			b.unread(time.Minute) // sensors take a while
			assert.NotContains(t, b.kinds(), alert.SensorLost)
			b.rise(5 * time.Minute)
			assert.Equal(t, []alert.Kind{alert.Near}, b.kinds(), "due while it slept")
			b.rise(35 * time.Minute)
			assert.Equal(t, []alert.Kind{alert.Near, alert.Reached}, b.kinds())
			assert.Equal(t, id, b.vessel().RiseID)
		})
	}
}

// TestASensorThatDoesNotComeBackFromASleepIsTold counts from waking.
func TestASensorThatDoesNotComeBackFromASleepIsTold(t *testing.T) {
	t.Parallel()
	b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
	defer b.stop()
	b.rise(time.Hour)
	after := b.app.vessels["tub"].config.LostAfter
	b.sleep(40 * time.Minute)
	b.unread(after - time.Minute)
	assert.Empty(t, b.kinds())
	b.unread(2 * time.Minute)
	assert.Equal(t, []alert.Kind{alert.SensorLost}, b.kinds())
}

// TestASleepAfterARestartIsABreak though the restart was none.
func TestASleepAfterARestartIsABreak(t *testing.T) {
	t.Parallel()
	b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
	defer b.stop()
	b.rise(time.Hour)
	b.app.vessels["tub"].awake = time.Time{} // as after a short restart
	b.sleep(40 * time.Minute)
	b.unread(time.Minute)
	assert.NotContains(t, b.kinds(), alert.SensorLost)
}
