package app

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// TestARiseOfAVesselThatIsGoneIsClosed starts with another vessel.
func TestARiseOfAVesselThatIsGoneIsClosed(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	id := b.vessel().RiseID
	cfg := *b.app.opt.Config
	cfg.Vessels = append(cfg.Vessels[:0:0], cfg.Vessels...)
	cfg.Vessels[0].Name = "jar"
	b.app.opt.Config = &cfg
	b.again()
	assert.False(t, b.riseOf(id).UnderWay())
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
			b.blind(3*time.Minute + 40*time.Second)
			require.Empty(t, b.raised)
			b.clock.Set(b.clock.Now().Add(c.away))
			b = b.again()
			if c.told > 0 {
				b.blind(c.told - 10*time.Second)
				assert.Empty(t, b.raised, "too early")
			}
			b.blind(20 * time.Second)
			assert.Equal(t, []alert.Kind{alert.SensorLost}, kindsOf(b.raised))
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
	b.do(bake.EventStart)
	b.run(80 * time.Minute)
	require.NotEqual(t, id, b.vessel().RiseID)
	b.do(bake.EventFold)
	events := b.vessel().Events
	b.undo(0, events[len(events)-2].ID)
	b.run(90 * time.Minute)
	for range 2 {
		v := b.vessel()
		assert.Equal(t, id, v.RiseID)
		assert.InDelta(t, invented(90*time.Minute), v.Estimate.RisePercent, 8)
		assert.Equal(t, bake.EventFold, v.Events[len(v.Events)-1].Kind)
		curve, err := b.app.Curve(t.Context(), "tub")
		require.NoError(t, err)
		for i := range curve[1:] {
			assert.Less(t, curve[i+1].Time.Sub(curve[i].Time), 2*time.Minute, "no gap at %s", curve[i].Time)
		}
		b = b.again()
	}
}

// watchCold watches an invented dough that gets cold after an hour, from a moment to
// another, and returns when that was told. After each minute it calls kept, when the
// samples are in the history.
func watchCold(t *testing.T, dir string, from, until time.Duration, kept func(since time.Duration)) (told time.Duration) {
	t.Helper()
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), every: sampledEvery}
	b.clock.Set(b.start.Add(from))
	b.open(dir, benchConfig, Options{Clock: b.clock}, history.Options{Now: b.clock.Now, FlushEvery: 24 * time.Hour})
	defer b.close()
	for since := from + time.Minute; since <= until; since += time.Minute {
		b.pass(b.start.Add(since), func(at time.Time) estimator.Sample {
			s := seen(invented(at.Sub(b.start)/3), at)
			if s.DoughC, s.AirC = 22, 22; since > time.Hour {
				s.DoughC, s.AirC = 13, 11
			}
			return s
		})
		require.NoError(t, b.store.Flush(t.Context()))
		kept(since)
	}
	for _, a := range b.raised {
		if a.Kind == alert.TooCold {
			told = a.FiredAt.Sub(b.start)
		}
	}
	return told
}

// TestAWarningHeldBackOutlivesAKill kills the process again and again while a warning is
// already seen and still held back: it comes when it came to a process that lived on. The
// samples since the last full minute are lost, and nobody watches for a while. After
// longer than anybody can vouch for, what was held back begins anew.
func TestAWarningHeldBackOutlivesAKill(t *testing.T) {
	t.Parallel()
	dir, left := t.TempDir(), map[time.Duration]string{} // what a kill would leave
	due := watchCold(t, dir, 0, 100*time.Minute, func(since time.Duration) {
		if since >= time.Hour && since%(3*time.Minute) == 0 {
			left[since] = t.TempDir()
			require.NoError(t, os.CopyFS(left[since], os.DirFS(dir)))
		}
	})
	require.NotZero(t, due)
	const up = 90 * time.Minute
	told := watchCold(t, left[72*time.Minute], up, up+40*time.Minute, func(time.Duration) {})
	assert.InDelta(t, 30, (told - up).Minutes(), 1, "a quarter of an hour to see that it does not warm up, and as long again")
	delete(left, 72*time.Minute)
	tried := 0
	for at, dir := range left {
		if at < due && at >= due-12*time.Minute {
			tried++
			told := watchCold(t, dir, at+80*time.Second, due+10*time.Minute, func(time.Duration) {})
			assert.InDelta(t, due.Minutes(), told.Minutes(), 5, "killed %s before", due-at)
		}
	}
	assert.GreaterOrEqual(t, tried, 3)
}
