package app

import (
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
	b.stop()
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
	defer a.stop()
	assert.Equal(t, id, a.vessel().RiseID)
	assert.NotEmpty(t, a.store.Health().Quarantine)
	assert.Greater(t, len(a.rows()), rows/2)
	a.rise(crossing() - a.rose + 10*time.Minute)
	assert.Contains(t, a.kinds(), alert.Reached)
}
