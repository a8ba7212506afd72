package app

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
)

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
	start := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	cfg, err := config.Parse("bench.yaml", fmt.Appendf(nil, `
household: {time_zone: UTC}
vessels:
  - {name: jar, holds: %s, floor_mm: 170, profile: {shape: straight, diameter_mm: 85, height_mm: 150}}
`, s.holds), config.WithoutSensors)
	require.NoError(t, err)
	clock := &Stepped{}
	clock.Set(start.Add(from))
	store, err := history.Open(t.Context(), filepath.Join(dir, "tidemark.db"), history.Options{Now: clock.Now, FlushEvery: 24 * time.Hour})
	require.NoError(t, err)
	a, err := New(Options{Config: cfg, Clock: clock, Store: store})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	for since := from + sampledEvery; since <= until; since += sampledEvery {
		now := start.Add(since)
		clock.Set(now)
		a.Observe("jar", s.sample(since, now))
		for _, al := range a.Advance(now) {
			if al.Kind == s.kind {
				told = since
			}
		}
		if since%time.Minute == 0 {
			require.NoError(t, store.Flush(t.Context()))
			kept(since)
		}
	}
	require.NoError(t, a.Stop(context.Background()))
	require.NoError(t, store.Close(context.Background()))
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
