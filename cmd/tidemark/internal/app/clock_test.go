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
	"tidemark/estimator"
	"tidemark/history"
)

// machine is a machine whose wall clock can be set while its boot clock runs on.
type machine struct {
	mu   sync.Mutex
	boot time.Duration
	wall time.Time
}

// tick lets both clocks run.
func (m *machine) tick(d time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.boot += d
	m.wall = m.wall.Add(d)
}

// set sets the wall clock.
func (m *machine) set(wall time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wall = wall
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

func (m *machine) clock() *Steady { return NewSteadyOf(m.now, m.sinceBoot) }

func TestSteadyGoesOnWhileTheWallIsSet(t *testing.T) {
	t.Parallel()
	m := &machine{wall: time.Date(1970, 1, 1, 0, 0, 5, 0, time.UTC), boot: 5 * time.Second}
	s := m.clock()
	m.tick(time.Minute)
	m.set(time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC))
	m.tick(time.Minute)
	assert.Equal(t, time.Date(1970, 1, 1, 0, 2, 5, 0, time.UTC), s.Now())
	skew := s.skew()
	s.Step(skew)
	assert.Equal(t, time.Date(2026, 4, 4, 9, 1, 0, 0, time.UTC), s.Now())
	assert.Zero(t, s.skew())
}

// stepBench is an App on a machine whose clock can be set, with a dough that
// rises by the machine's boot clock.
type stepBench struct {
	*bench
	m      *machine
	rose   time.Duration // how long the dough has risen
	raised []alert.Alarm
}

// newStepBench starts an App over the state folder; rose is how long the dough
// has risen already.
func newStepBench(t *testing.T, dir string, wall time.Time, rose time.Duration, timesync string, routes ...alert.Route) *stepBench {
	t.Helper()
	b := &stepBench{bench: &bench{t: t}, m: &machine{wall: wall, boot: time.Minute}, rose: rose}
	b.open(dir, benchConfig, Options{Clock: b.m.clock(), Routes: routes, Timesync: timesync}, history.Options{Now: b.m.now})
	return b
}

// sampledEvery is how far the samples of a stepBench lie apart.
const sampledEvery = 20 * time.Second

// rise lets the dough rise for a while.
func (b *stepBench) rise(d time.Duration) {
	for range int(d / sampledEvery) {
		b.m.tick(sampledEvery)
		b.rose += sampledEvery
		b.app.FollowClock(b.t.Context())
		now := b.app.opt.Clock.Now()
		noise := 0.4 * math.Sin(b.rose.Seconds()) // stands for noise
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: 240 - 60*(1+invented(b.rose)/100) + noise, DoughC: 24.5, AirC: 23.5})
		b.raised = append(b.raised, b.app.Advance(now)...)
	}
}

// kinds lists what was raised.
func (b *stepBench) kinds() []alert.Kind { return kept{alarms: b.raised}.kinds() }

// rows reads the stored samples of the rise that is under way.
func (b *stepBench) rows() []bake.Recorded {
	out, err := b.store.Rows(b.t.Context(), b.vessel().RiseID, time.Time{}, time.Time{})
	require.NoError(b.t, err)
	return out
}

// TestSmallDriftIsFollowedQuietly lets the wall clock run a little ahead.
func TestSmallDriftIsFollowedQuietly(t *testing.T) {
	t.Parallel()
	b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
	defer b.close()
	b.rise(5 * time.Minute)
	b.m.set(b.m.now().Add(time.Second))
	b.rise(time.Minute)
	assert.Equal(t, time.Second, b.app.opt.Clock.(*Steady).skew(), "not worth a move")
	b.m.set(b.m.now().Add(2 * time.Second))
	b.rise(time.Minute)
	assert.Zero(t, b.app.opt.Clock.(*Steady).skew())
}

// cutPower lets a dough rise for two hours until the power fails, and starts the machine
// again after a while, with its clock in 1970. It returns the bench before and after.
func cutPower(t *testing.T, off time.Duration) (before, after *stepBench) {
	t.Helper()
	day := time.Date(2026, 4, 4, 22, 45, 0, 0, time.UTC) // past midnight before the cut
	first, second, timesync := t.TempDir(), t.TempDir(), t.TempDir()
	b := newStepBench(t, first, day, 0, timesync)
	b.rise(2 * time.Hour)
	require.NoError(t, b.store.Flush(t.Context()))
	require.NoError(t, os.CopyFS(second, os.DirFS(first)))
	b.close()
	files, err := filepath.Glob(filepath.Join(second, "tidemark.db*"))
	require.NoError(t, err)
	for _, f := range files {
		require.NoError(t, os.Chtimes(f, b.m.now(), b.m.now()))
	}
	return b, newStepBench(t, second, time.Unix(20, 0), 2*time.Hour+off, timesync)
}

// TestPowerCutWithoutAClock cuts the power in mid-rise. The machine starts in
// 1970, the time comes from the network a while later: what was seen before the
// cut keeps its times, what was seen since start moves, the gap is as long as it
// was.
func TestPowerCutWithoutAClock(t *testing.T) {
	t.Parallel()
	const off = 40 * time.Minute
	b, a := cutPower(t, off)
	defer a.close()
	before := b.app.State("tub").Estimate
	a.rise(3 * time.Minute)
	waiting := a.app.State("tub").Estimate
	assert.False(t, waiting.Time.Before(before.Time), "time does not run back to 1970")
	assert.NotEmpty(t, a.rows())
	a.m.set(b.m.now().Add(off + 3*time.Minute))
	a.rise(time.Minute)
	e := a.app.State("tub").Estimate
	assert.WithinDuration(t, before.Started, e.Started, 25*time.Second, "the rise keeps its start")
	assert.InDelta(t, invented(a.rose), e.RisePercent, 4)
	rows := a.rows()
	var gap time.Duration
	for i := 1; i < len(rows); i++ {
		gap = max(gap, rows[i].Time.Sub(rows[i-1].Time))
	}
	assert.InDelta(t, off.Minutes(), gap.Minutes(), 2, "the gap is as long as the cut")
	a.rise(crossing() - a.rose + 20*time.Minute)
	assert.InDelta(t, 0, a.app.State("tub").Estimate.Ready.Median.Sub(before.Started.Add(crossing())).Minutes(), 5)
	assert.NotContains(t, a.kinds(), alert.SensorLost)
	assert.NotContains(t, a.kinds(), alert.Over)
	assert.Contains(t, a.kinds(), alert.Reached)
}

// TestPowerCutWithoutAClockAndSensorsThatAreLate does not count the outage as silence of
// a sensor that takes minutes to come back.
func TestPowerCutWithoutAClockAndSensorsThatAreLate(t *testing.T) {
	t.Parallel()
	const off = 40 * time.Minute
	b, a := cutPower(t, off)
	defer a.close()
	a.unread(2 * time.Minute)
	a.m.set(b.m.now().Add(off + 2*time.Minute))
	a.unread(2 * time.Minute)
	assert.NotContains(t, a.kinds(), alert.SensorLost)
	a.unread(2 * time.Minute)
	assert.Contains(t, a.kinds(), alert.SensorLost, "of this watch")
}

// TestAClockKnownToBeSetIsBelieved goes back before the last run when the system
// says so.
func TestAClockKnownToBeSetIsBelieved(t *testing.T) {
	t.Parallel()
	timesync := t.TempDir()
	a := &App{timesync: timesync, notBefore: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	early := a.notBefore.Add(-time.Hour)
	assert.False(t, a.believed(early))
	assert.True(t, a.believed(a.notBefore.Add(time.Hour)))
	require.NoError(t, os.WriteFile(filepath.Join(timesync, "synchronized"), nil, 0o644))
	assert.True(t, a.believed(early))
}

// TestARiseThatIsOverIsAsLongAgoAsItWas sets the clock after the end of a rise: it moves
// along, and the next one begins when it was told.
func TestARiseThatIsOverIsAsLongAgoAsItWas(t *testing.T) {
	t.Parallel()
	day := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		starts time.Time
		by     time.Duration
		rose   time.Duration
	}{
		"late from the start": {time.Unix(30, 0), day.Sub(time.Unix(30, 0)), 20 * time.Minute},
		"three hours forth":   {day, 3 * time.Hour, settlesWithin + time.Minute},
		"three hours back":    {day, -3 * time.Hour, settlesWithin + time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			b := newStepBench(t, t.TempDir(), c.starts, 0, t.TempDir())
			defer b.close()
			b.rise(time.Minute)
			b.do(bake.Event{Kind: bake.EventStart})
			b.rise(c.rose)
			id := b.vessel().RiseID
			b.do(bake.Event{Kind: bake.EventEnd})
			b.rise(time.Minute)
			before, err := b.store.Rise(t.Context(), id)
			require.NoError(t, err)
			b.m.set(b.m.now().Add(c.by))
			b.rise(time.Minute)
			after, err := b.store.Rise(t.Context(), id)
			require.NoError(t, err)
			assert.WithinDuration(t, before.StartedAt.Add(c.by), after.StartedAt, time.Second)
			assert.WithinDuration(t, before.EndedAt.Add(c.by), after.EndedAt, time.Second)
			b.do(bake.Event{Kind: bake.EventStart})
			told := b.m.now()
			b.rise(time.Minute)
			next, err := b.store.Rise(t.Context(), b.vessel().RiseID)
			require.NoError(t, err)
			assert.NotEqual(t, id, next.ID)
			assert.WithinDuration(t, told, next.StartedAt, time.Second)
		})
	}
}

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

// TestASensorThatDoesNotComeBackFromASleepIsTold counts from waking.
func TestASensorThatDoesNotComeBackFromASleepIsTold(t *testing.T) {
	t.Parallel()
	b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
	defer b.close()
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
	defer b.close()
	b.rise(time.Hour)
	b.app.vessels["tub"].awake = time.Time{} // as after a short restart
	b.sleep(40 * time.Minute)
	b.unread(time.Minute)
	assert.NotContains(t, b.kinds(), alert.SensorLost)
}
