package replay

import (
	"bytes"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file of testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), got, "run with -update if it was changed on purpose")
}

// story is an invented rise in a few estimates, with what is raised at each.
func story() (estimates []estimator.Estimate, raised [][]alert.Alarm) {
	start := time.Date(2026, 2, 14, 8, 0, 0, 0, time.UTC)
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	window := func(from, median, until int) estimator.Window {
		return estimator.Window{From: at(from), Median: at(median), Until: at(until)}
	}
	nan := math.NaN()
	base := estimator.Estimate{Started: start, TargetPercent: 100, Quality: estimator.QualityOK, PeakPercent: nan}
	add := func(change func(*estimator.Estimate), alarms ...alert.Alarm) {
		e := base
		change(&e)
		estimates, raised = append(estimates, e), append(raised, alarms)
	}
	add(func(e *estimator.Estimate) {
		e.Time, e.Phase = at(0), estimator.Settling
		e.RisePercent, e.RiseSD, e.RatePercentPerHour = nan, nan, math.Inf(1)
	})
	add(func(e *estimator.Estimate) {
		e.Time, e.Phase = at(90), estimator.Rising
		e.RisePercent, e.RiseSD, e.RatePercentPerHour, e.Ready = 41.23456, 0.70049, 33.3333, window(150, 180, 215)
		e.GoodUntil = window(170, 240, 300)
	})
	add(func(e *estimator.Estimate) {
		e.Time, e.Phase = at(100), estimator.Rising
		e.RisePercent, e.RiseSD, e.RatePercentPerHour, e.Ready = 46, 4, 33, window(150, 180, 215)
		e.Quality, e.QualityReason = estimator.QualityGap, estimator.NoReading
	}, alert.Alarm{Kind: alert.SensorLost, Reason: "no_reading", Title: "tub: not seen", Text: "Not seeing the dough in tub since 09:35 <invented>."})
	add(func(e *estimator.Estimate) {
		e.Time, e.Phase = at(182), estimator.Ready
		e.RisePercent, e.RiseSD, e.RatePercentPerHour, e.Ready, e.ReadyIsPast = 101, 0.5, 30, window(179, 180, 181), true
		e.PeakPercent, e.PeakAt = 101, at(182)
		e.Rejected = map[string]int{"handling": 3, "out_of_range": 1, "missing": 0}
	}, alert.Alarm{Kind: alert.Reached, Title: "tub: at the mark", Text: "tub has reached its mark."},
		alert.Alarm{Kind: alert.TooHot, Reason: "dough", Title: "tub: too hot", Text: "tub is at 31 C."})
	return estimates, raised
}

// TestJSONMatchesItsGoldenFile prints the story.
func TestJSONMatchesItsGoldenFile(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	p := jsonPrinter(&out, time.FixedZone("", 3600))
	estimates, raised := story()
	for i := range estimates {
		require.NoError(t, p(bake.State{Estimate: estimates[i]}, raised[i]))
	}
	golden(t, "story.jsonl", out.String())
}

// oneTub is a configuration for the records of these tests.
func oneTub(t *testing.T) *config.Config {
	t.Helper()
	cfg, err := config.Parse("t.yaml", []byte("vessels:\n  - {name: tub, holds: dough, floor_mm: 240, profile: {shape: straight, diameter_mm: 180, height_mm: 200}}\n"), config.WithoutSensors)
	require.NoError(t, err)
	return cfg
}

// record writes rows under the header into a new file.
func recordFile(t *testing.T, rows ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "r.csv")
	require.NoError(t, os.WriteFile(path, []byte("time,distance_mm,dough_c,air_c,event\n"+strings.Join(rows, "\n")+"\n"), 0o644))
	return path
}

// shut is an output that nobody reads any more.
type shut struct{}

var errShut = errors.New("broken pipe")

func (shut) Write([]byte) (int, error) { return 0, errShut }

// TestReplayStopsWhenNobodyReads ends early instead of working on for nothing.
func TestReplayStopsWhenNobodyReads(t *testing.T) {
	t.Parallel()
	path := recordFile(t, "2026-02-14T08:00:00Z,180,24,23,", "2026-03-14T08:00:00Z,180,24,23,")
	o := Options{Config: oneTub(t), Record: path, Out: shut{}, JSON: true}
	require.NoError(t, Check(t.Context(), &o))
	err := Run(t.Context(), o)
	require.ErrorIs(t, err, errShut)
	assert.Equal(t, 1, strings.Count(err.Error(), errShut.Error()), "told once")
}
