package app

import (
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
)

// machine is a machine whose wall clock can be set while its boot clock runs on.
type machine struct {
	mu   sync.Mutex
	boot time.Duration
	wall time.Time
}

// tick lets both clocks run, and sets the wall clock ahead.
func (m *machine) tick(d, ahead time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.boot += d
	m.wall = m.wall.Add(d + ahead)
}

// now reads the wall clock.
func (m *machine) now() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.wall
}

// sinceBoot reads the boot clock.
func (m *machine) sinceBoot() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.boot
}

// stepBench is an App on a machine whose clock can be set, with a dough that
// rises by the machine's boot clock.
type stepBench struct {
	*bench
	m    *machine
	rose time.Duration // how long the dough has risen
}

// newStepBench starts an App over the state folder; rose is how long the dough
// has risen already.
func newStepBench(t *testing.T, dir string, wall time.Time, rose time.Duration) *stepBench {
	t.Helper()
	b := &stepBench{bench: &bench{t: t}, m: &machine{wall: wall, boot: time.Minute}, rose: rose}
	b.open(dir, benchConfig, Options{Clock: NewSteadyOf(b.m.now, b.m.sinceBoot), Timesync: t.TempDir()}, history.Options{Now: b.m.now})
	t.Cleanup(b.close)
	return b
}

// sampledEvery is how far the samples of a stepBench lie apart.
const sampledEvery = 20 * time.Second

// rise lets the dough rise for a while; unread does so while no sensor answers, and sleep
// while the machine is suspended.
func (b *stepBench) rise(d time.Duration)   { b.watch(d, true) }
func (b *stepBench) unread(d time.Duration) { b.watch(d, false) }
func (b *stepBench) sleep(d time.Duration) {
	b.m.tick(d, 0)
	b.rose += d
}

func (b *stepBench) watch(d time.Duration, read bool) {
	for range int(d / sampledEvery) {
		b.sleep(sampledEvery)
		b.app.FollowClock(b.t.Context())
		now := b.app.opt.Clock.Now()
		if read {
			s := seen(invented(b.rose), b.start.Add(b.rose))
			s.Time = now
			b.app.Observe("tub", s)
		}
		b.raised = append(b.raised, b.app.Advance(now)...)
	}
}

// rows reads the stored samples of the rise that is under way.
func (b *stepBench) rows() []bake.Recorded {
	out, err := b.store.Rows(b.t.Context(), b.vessel().RiseID, time.Time{}, time.Time{})
	require.NoError(b.t, err)
	return out
}

// cutPower lets a dough rise for two hours until the power fails, and starts the machine
// again after 40 minutes, with its clock in 1970. It returns the bench before and after.
func cutPower(t *testing.T) (before, after *stepBench) {
	t.Helper()
	day := time.Date(2026, 4, 4, 22, 45, 0, 0, time.UTC) // past midnight before the cut
	first, second := t.TempDir(), t.TempDir()
	b := newStepBench(t, first, day, 0)
	b.rise(2 * time.Hour)
	require.NoError(t, b.store.Flush(t.Context()))
	require.NoError(t, os.CopyFS(second, os.DirFS(first)))
	b.close()
	files, err := filepath.Glob(filepath.Join(second, "tidemark.db*"))
	require.NoError(t, err)
	for _, f := range files {
		require.NoError(t, os.Chtimes(f, b.m.now(), b.m.now()))
	}
	return b, newStepBench(t, second, time.Unix(20, 0), 2*time.Hour+40*time.Minute)
}

// TestPowerCutWithoutAClock cuts the power in mid-rise. The machine starts in
// 1970, the time comes from the network a while later: what was seen before the
// cut keeps its times, what was seen since start moves, the gap is as long as it
// was.
func TestPowerCutWithoutAClock(t *testing.T) {
	t.Parallel()
	b, a := cutPower(t)
	before := b.app.State("tub").Estimate
	a.rise(3 * time.Minute)
	assert.False(t, a.app.State("tub").Estimate.Time.Before(before.Time), "time does not run back to 1970")
	a.m.tick(0, b.m.now().Add(43*time.Minute).Sub(a.m.now()))
	a.rise(time.Minute)
	e := a.app.State("tub").Estimate
	assert.WithinDuration(t, before.Started, e.Started, 25*time.Second, "the rise keeps its start")
	assert.InDelta(t, invented(a.rose), e.RisePercent, 4)
	rows := a.rows()
	var gap time.Duration
	for i := 1; i < len(rows); i++ {
		gap = max(gap, rows[i].Time.Sub(rows[i-1].Time))
	}
	assert.InDelta(t, 40, gap.Minutes(), 2, "the gap is as long as the cut")
	a.rise(crossing() - a.rose + 20*time.Minute)
	assert.InDelta(t, 0, a.app.State("tub").Estimate.Ready.Median.Sub(before.Started.Add(crossing())).Minutes(), 5)
	assert.NotContains(t, kindsOf(a.raised), alert.SensorLost)
	assert.NotContains(t, kindsOf(a.raised), alert.Over)
	assert.Contains(t, kindsOf(a.raised), alert.Reached)
}

// TestASilentSensorIsToldFromThisWatchOn: neither an outage nor a sleep counts as silence
// of a sensor that does not come back after it; what is silent after it is told.
func TestASilentSensorIsToldFromThisWatchOn(t *testing.T) {
	t.Parallel()
	b, a := cutPower(t)
	a.unread(2 * time.Minute)
	a.m.tick(0, b.m.now().Add(42*time.Minute).Sub(a.m.now()))
	a.unread(2 * time.Minute)
	assert.NotContains(t, kindsOf(a.raised), alert.SensorLost)
	a.unread(2 * time.Minute)
	assert.Contains(t, kindsOf(a.raised), alert.SensorLost)

	for _, shortRestart := range []bool{false, true} {
		b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0)
		b.rise(time.Hour)
		if shortRestart { // after which its sensors count as asked all the time
			b.app.vessels["tub"].awake = time.Time{}
		}
		b.sleep(40 * time.Minute)
		b.unread(b.app.vessels["tub"].config.LostAfter - time.Minute)
		assert.NotContains(t, kindsOf(b.raised), alert.SensorLost)
		b.unread(2 * time.Minute)
		assert.Contains(t, kindsOf(b.raised), alert.SensorLost)
	}
}

// TestAClockKnownToBeSetIsBelieved goes back before the last run when the system
// says so.
func TestAClockKnownToBeSetIsBelieved(t *testing.T) {
	t.Parallel()
	a := &App{timesync: t.TempDir(), notBefore: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	early := a.notBefore.Add(-time.Hour)
	assert.False(t, a.believed(early))
	assert.True(t, a.believed(a.notBefore.Add(time.Hour)))
	put(t, filepath.Join(a.timesync, "synchronized"), "")
	assert.True(t, a.believed(early))
}

// TestClockSet: whether the wall clock can be trusted.
func TestClockSet(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	never, set := t.TempDir(), t.TempDir()
	put(t, filepath.Join(set, "synchronized"), "")
	for name, c := range map[string]struct {
		dir  string
		wall time.Time
		want bool
	}{
		"set from the network":            {set, now, true},
		"not yet":                         {never, now, false},
		"no such client here":             {filepath.Join(never, "none"), now, true},
		"1970, whatever the client says":  {set, time.Unix(0, 0), false},
		"before this program was written": {filepath.Join(never, "none"), now.AddDate(-1, 0, 0), false},
	} {
		assert.Equal(t, c.want, clockSet(c.dir, c.wall), name)
	}
	s := machineState(set, t.TempDir(), set, now)
	assert.True(t, s.ClockSet && !s.UnderVoltage && s.DiskFreeRatio > 0 && s.DiskFreeRatio <= 1, "%+v", s)
	assert.True(t, math.IsNaN(diskFree(filepath.Join(never, "none"))), "a folder that is not there has no disk")
}
