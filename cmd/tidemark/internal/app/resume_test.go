package app

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// again starts a second App on what the first has kept.
func (b *bench) again() *bench {
	b.t.Helper()
	require.NoError(b.t, b.store.Flush(b.t.Context()))
	a, err := New(Options{Config: b.app.opt.Config, Clock: b.clock, Store: b.store})
	require.NoError(b.t, err)
	require.NoError(b.t, a.Start(b.t.Context()))
	b.t.Cleanup(func() { assert.NoError(b.t, a.Stop(b.t.Context())) })
	return &bench{t: b.t, app: a, clock: b.clock, store: b.store, start: b.start}
}

// TestARiseOfAVesselThatIsGoneIsClosed starts with another vessel.
func TestARiseOfAVesselThatIsGoneIsClosed(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	id := b.vessel().RiseID
	cfg := *b.app.opt.Config
	cfg.Vessels = append(cfg.Vessels[:0:0], cfg.Vessels...)
	cfg.Vessels[0].Name = "jar"
	a, err := New(Options{Config: &cfg, Clock: b.clock, Store: b.store})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	require.NoError(t, a.Stop(t.Context()))
	r, err := b.store.Rise(t.Context(), id)
	require.NoError(t, err)
	assert.False(t, r.UnderWay())
}

// blind lets the watch go on for a while in which all sensors but that of the height
// answer, and returns what was raised.
func (b *bench) blind(d time.Duration) (raised []alert.Alarm) {
	b.t.Helper()
	for range int(d / (10 * time.Second)) {
		now := b.clock.Now().Add(10 * time.Second)
		b.clock.Set(now)
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: math.NaN(), DoughC: 24.5, AirC: 23.5})
		raised = append(raised, b.app.Advance(now)...)
	}
	return raised
}

// TestALostSensorIsToldOverARestart counts the silence on over a restart, and anew after
// a time in which nobody watched.
func TestALostSensorIsToldOverARestart(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		away, told time.Duration // told: after the restart
	}{{"restart", time.Minute, 20 * time.Second}, {"slow restart", 150 * time.Second, 0}, {"short outage", 200 * time.Second, 5 * time.Minute}, {"outage", 20 * time.Minute, 5 * time.Minute}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.run(time.Hour)
			require.Empty(t, b.blind(3*time.Minute+40*time.Second))
			b.clock.Set(b.clock.Now().Add(c.away))
			next := b.again()
			if c.told > 0 {
				assert.Empty(t, next.blind(c.told-10*time.Second), "too early")
			}
			got := kept{alarms: next.blind(20 * time.Second)}
			assert.Equal(t, []alert.Kind{alert.SensorLost}, got.kinds())
		})
	}
}

// TestAFeedTakenBackGivesTheRiseBefore: with what was measured and told meanwhile, also
// after a restart.
func TestAFeedTakenBackGivesTheRiseBefore(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	id := b.vessel().RiseID
	b.do(bake.Event{Kind: bake.EventStart})
	b.run(80 * time.Minute)
	require.NotEqual(t, id, b.vessel().RiseID)
	b.do(bake.Event{Kind: bake.EventFold})
	events := b.vessel().Events
	b.undo(0, events[len(events)-2].ID)
	b.run(90 * time.Minute)
	check := func(b *bench) {
		v := b.vessel()
		assert.Equal(t, id, v.RiseID)
		assert.InDelta(t, invented(90*time.Minute), v.Estimate.RisePercent, 8)
		assert.Equal(t, bake.EventFold, v.Events[len(v.Events)-1].Kind)
		curve, err := b.app.Curve(t.Context(), "tub")
		require.NoError(t, err)
		for i := range curve[1:] {
			assert.Less(t, curve[i+1].Time.Sub(curve[i].Time), 2*time.Minute, "no gap at %s", curve[i].Time)
		}
	}
	check(b)
	check(b.again())
}

// TestARiseOnADamagedFileGoesOn breaks a page of the samples of the rise under way,
// which the start meets first: the rise goes on from what can be saved.
func TestARiseOnADamagedFileGoesOn(t *testing.T) {
	t.Parallel()
	dir, timesync := t.TempDir(), t.TempDir()
	b := newStepBench(t, dir, time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, timesync)
	b.rise(time.Hour)
	id, at, rows := b.vessel().RiseID, b.m.now(), len(b.rows())
	b.close()
	path := filepath.Join(dir, "tidemark.db")
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	const page, leaf = 1024, 10 // SQLite, "Database File Format", section 1.6
	var full []int
	for i := page; i < len(file); i += page {
		if cells := int(file[i+3])<<8 | int(file[i+4]); file[i] == leaf && cells > 10 {
			full = append(full, i)
		}
	}
	require.NotEmpty(t, full)
	clear(file[full[len(full)/2]:][:page])
	require.NoError(t, os.WriteFile(path, file, 0o600))
	require.NoError(t, os.Chtimes(path, at, at)) // the last sign of life
	a := newStepBench(t, dir, at, b.rose, timesync)
	defer a.close()
	assert.Equal(t, id, a.vessel().RiseID)
	assert.NotEmpty(t, a.store.Health().Quarantine)
	assert.Greater(t, len(a.rows()), rows/2)
	a.rise(crossing() - a.rose + 10*time.Minute)
	assert.Contains(t, a.kinds(), alert.Reached)
}

// holdScene is a vessel whose process is killed while a warning is held back.
type holdScene struct {
	name, holds string
	kind        alert.Kind
	sample      func(since time.Duration, at time.Time) estimator.Sample // invented
	first       time.Duration                                            // when it may be killed first, after the start
	before      time.Duration                                            // and how long before the warning is due
}

// ripeStarter is an invented starter: up to 110 percent in three hours, then
// sinking by a third of a millimetre a minute.
func ripeStarter(since time.Duration, at time.Time) estimator.Sample {
	h := since.Hours()
	rise := 110 / (1 + math.Exp(2.6*(1.4-h)))
	if h > 3.2 {
		rise -= 45 * (h - 3.2)
	}
	noise := 0.3 * math.Sin(float64(at.Unix()))
	return estimator.Sample{Time: at, DistanceMM: 170 - 45*(1+rise/100) + noise, DoughC: 25, AirC: 23}
}

// coldDough is an invented dough that gets cold after an hour.
func coldDough(since time.Duration, at time.Time) estimator.Sample {
	s := estimator.Sample{Time: at, DistanceMM: 170 - 60*(1+invented(since/3)/100) + 0.3*math.Sin(float64(at.Unix())), DoughC: 22, AirC: 22}
	if since > time.Hour {
		s.DoughC, s.AirC = 13, 11
	}
	return s
}

// watch watches a scene from a moment to another and returns when the warning
// came. After each minute it calls kept, when the samples are in the history.
func (s holdScene) watch(t *testing.T, dir string, from, until time.Duration, kept func(since time.Duration)) (told time.Duration) {
	t.Helper()
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	b.clock.Set(b.start.Add(from))
	b.open(dir, fmt.Sprintf(`
household: {time_zone: UTC}
vessels:
  - {name: jar, holds: %s, floor_mm: 170, profile: {shape: straight, diameter_mm: 85, height_mm: 150}}
`, s.holds), Options{Clock: b.clock}, history.Options{Now: b.clock.Now, FlushEvery: 24 * time.Hour})
	defer b.close()
	for since := from + sampledEvery; since <= until; since += sampledEvery {
		now := b.start.Add(since)
		b.clock.Set(now)
		b.app.Observe("jar", s.sample(since, now))
		for _, al := range b.app.Advance(now) {
			if al.Kind == s.kind {
				told = since
			}
		}
		if since%time.Minute == 0 {
			require.NoError(t, b.store.Flush(t.Context()))
			kept(since)
		}
	}
	return told
}

// killed watches a scene and keeps what a kill at some minutes would leave.
func (s holdScene) killed(t *testing.T, until time.Duration) (told time.Duration, left map[time.Duration]string) {
	t.Helper()
	dir := t.TempDir()
	left = map[time.Duration]string{}
	told = s.watch(t, dir, 0, until, func(since time.Duration) {
		if since >= s.first && since%(3*time.Minute) == 0 {
			left[since] = t.TempDir()
			require.NoError(t, os.CopyFS(left[since], os.DirFS(dir)))
		}
	})
	require.NotZero(t, told)
	return told, left
}

// nothing is done after a minute.
func nothing(time.Duration) {}

// TestAWarningHeldBackOutlivesAKill kills the process again and again while a
// warning is already seen and still held back: it comes when it came to a process that
// lived on.
// The samples since the last full minute are lost, and nobody watches for a while.
func TestAWarningHeldBackOutlivesAKill(t *testing.T) {
	t.Parallel()
	for _, s := range []holdScene{
		{"a starter is at its peak", "starter", alert.StarterPeak, ripeStarter, 160 * time.Minute, 12 * time.Minute},
		{"a starter falls", "starter", alert.StarterFalling, ripeStarter, 195 * time.Minute, 12 * time.Minute},
		{"a dough is cold", "dough", alert.TooCold, coldDough, time.Hour, 12 * time.Minute},
	} {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			due, left := s.killed(t, s.first+40*time.Minute)
			tried := 0
			for at, dir := range left {
				if at >= due || at < due-s.before {
					continue
				}
				tried++
				up := at + 80*time.Second
				told := s.watch(t, dir, up, due+10*time.Minute, nothing)
				assert.InDelta(t, due.Minutes(), told.Minutes(), 5, "killed %s before", due-at)
			}
			assert.GreaterOrEqual(t, tried, 3)
		})
	}
}

// TestAfterALongGapNothingIsTakenForGranted is down for longer than anybody can
// vouch for: what was held back begins anew.
func TestAfterALongGapNothingIsTakenForGranted(t *testing.T) {
	t.Parallel()
	s := holdScene{holds: "dough", kind: alert.TooCold, sample: coldDough, first: 65 * time.Minute}
	_, left := s.killed(t, 80*time.Minute)
	up := 90 * time.Minute
	told := s.watch(t, left[72*time.Minute], up, up+40*time.Minute, nothing)
	assert.InDelta(t, 30, (told - up).Minutes(), 1, "a quarter of an hour to see that it does not warm up, and as long again")
}
