package alert

import (
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestUnattendedEvening plays an invented evening nobody is at home for, through
// rules and manager, and compares the timeline with its golden file.
func TestUnattendedEvening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now().Add(17 * time.Hour)
		time.Sleep(17 * time.Hour) // 17:00
		h := &house{t: t, store: newMemStore(), opts: night(), start: time.Now(), tries: map[string]int{}}
		var lines []string
		for i, name := range []string{"phone", "post"} {
			note := func(_ context.Context, m Message, _ int) error {
				h.mu.Lock()
				defer h.mu.Unlock()
				lines = append(lines, fmt.Sprintf("%s  %-6s p%d  %s | %s", time.Now().Format("15:04"), name, m.Priority, m.Title, strings.ReplaceAll(m.Text, "\u00a0", " ")))
				return nil
			}
			h.routes = append(h.routes, Route{Name: name, Channel: &line{h, name, note}, FromLevel: 2 * i})
		}
		h.run()
		defer h.stop()
		w := NewEvaluator(text.New(text.Locale{}), 0)
		in := Input{RiseID: 1, State: bake.State{Vessel: "tub", Holds: estimator.Dough, Lead: 30 * time.Minute, OverPercent: 125, ColdPercent: 143}, System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
		for time.Since(start) < 6*time.Hour {
			in.At = time.Now()
			in.Estimate = evening(start, in.At)
			require.NoError(t, h.manager.Apply(t.Context(), w.Evaluate(in)))
			time.Sleep(10 * time.Second)
			synctest.Wait()
		}
		slices.Sort(lines) // two channels in one minute come in any order
		golden(t, "evening.txt", strings.Join(lines, "\n")+"\n")
	})
}

// evening is an invented rise: at the mark at 18:30, over at 19:15, sinking
// from 21:30.
func evening(start, now time.Time) estimator.Estimate {
	ready := start.Add(90 * time.Minute)
	hours := now.Sub(ready).Hours()
	e := estimator.Estimate{
		Time: now, Started: start.Add(-3 * time.Hour), RisePercent: 100 + 22*hours, RiseSD: 1, DoughC: 25, AirC: 23, TargetPercent: 100,
		Even:             ready,
		Ready:            estimator.Window{From: ready.Add(-8 * time.Minute), Median: ready, Until: ready.Add(9 * time.Minute)},
		CarryOverPercent: 18, CeilingPercent: 160, CeilingLow: 140, ReachChance: 0.97, PeakPercent: math.Max(100+22*hours, 20), Phase: estimator.Rising,
		PhaseSince: start, Quality: estimator.QualityOK, LastSeen: now,
	}
	switch {
	case hours >= 3:
		e.RisePercent, e.PeakPercent, e.Phase, e.PhaseSince, e.ReadyIsPast = 158-8*(hours-3), 166, estimator.Fallen, ready.Add(3*time.Hour), true
	case hours >= 0.7:
		e.Phase, e.ReadyIsPast = estimator.Over, true
	case hours >= 0:
		e.Phase, e.ReadyIsPast = estimator.Ready, true
	}
	return e
}

// golden compares with a file, or rewrites it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := strings.Split(string(want), "\n")
	for i, line := range strings.Split(got, "\n") {
		require.Less(t, i, len(lines), "%s ends; got %s", path, line)
		require.Equal(t, lines[i], line, "%s:%d", path, i+1)
	}
	assert.Equal(t, len(string(want)), len(got), "%s goes on", path)
}
