package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/history"
)

// taught stores what rises of an invented household taught: a dough twice as fast
// as the published one, and a starter that is slow. One rise is of a demo.
func taught(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	ctx := t.Context()
	s, err := history.Open(ctx, filepath.Join(dir, "tidemark.db"), history.Options{})
	require.NoError(t, err)
	start := time.Date(2026, 1, 3, 9, 0, 0, 0, time.UTC)
	prior, batch := forecast.DefaultPrior(string(estimator.Dough)), bake.DefaultBatch()
	for i := range 8 {
		r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: start.AddDate(0, 0, 7*i), Demo: i == 0}
		r.ID, err = s.BeginRise(ctx, r, nil)
		require.NoError(t, err)
		r.EndedAt = r.StartedAt.Add(5 * time.Hour)
		require.NoError(t, s.UpdateRise(ctx, r))
		body, err := json.Marshal(map[string]any{"at": r.EndedAt, "batch": batch, "warmer_c": 2, "params": forecast.Params{LogCeiling: prior.LogCeiling.Mean,
			LogRate: prior.LogRate.Mean + 0.5, Lag: prior.Lag.Mean, Cov: [3][3]float64{{0.01}, {0, 0.01}, {0, 0, 0.01}}}})
		require.NoError(t, err)
		require.NoError(t, s.Settings().Set(ctx, fmt.Sprintf("learned/tub/%d", r.ID), body))
	}
	feed, err := json.Marshal(bake.Feed{StarterG: 20, FlourG: 40, WaterG: 40})
	require.NoError(t, err)
	for i := range 5 {
		r := bake.Rise{Vessel: "jar", Holds: estimator.Starter, StartedAt: start.AddDate(0, 0, 7*i), Batch: feed}
		r.ID, err = s.BeginRise(ctx, r, nil)
		require.NoError(t, err)
		r.PeakAt, r.PeakPercent, r.MeanDoughC, r.PeakEquivHours = r.StartedAt.Add(12*time.Hour), 150, 22, 10.5
		r.EndedAt = r.StartedAt.Add(20 * time.Hour)
		require.NoError(t, s.UpdateRise(ctx, r))
	}
	require.NoError(t, s.Close(ctx))
	return dir
}

// plan runs the command and returns what it printed.
func plan(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	err := runPlan(context.Background(), streams{strings.NewReader(""), &out, &errs}, args)
	return out.String(), err
}

// regexpLine finds the line of a step in a timetable.
func regexpLine(step string) *regexp.Regexp {
	return regexp.MustCompile(`(?m)^  [0-9]{2}:[0-9]{2}  [-0-9: +dhmin]* ` + step + ` .*$`)
}

// saturday plans for an invented Sunday.
func saturday(t *testing.T, args ...string) string {
	t.Helper()
	out, err := plan(t, append([]string{"--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z"}, args...)...)
	require.NoError(t, err)
	return out
}

// TestPlanLearnsFromTheHistory finds the service's history by itself, says so, and
// plans otherwise than from published values.
func TestPlanLearnsFromTheHistory(t *testing.T) {
	dir := taught(t)
	t.Chdir(dir)
	t.Setenv("TIDEMARK_STATE", dir)
	const all = "Worked from what was learned: past rises of dough 7, past feedings of the starter 5. History: "
	own := saturday(t)
	assert.Contains(t, own, all+filepath.Join(dir, "tidemark.db")+" (named by TIDEMARK_STATE).")
	t.Setenv("TIDEMARK_STATE", "/no/history")
	published := saturday(t)
	assert.Contains(t, published, "Worked from published values: there is no history at /no/history")
	t.Setenv("TIDEMARK_STATE", dir)
	line := func(text, step string) string {
		m := regexpLine(step).FindString(text)
		require.NotEmpty(t, m, step)
		return m
	}
	assert.NotEqual(t, line(published, "mix"), line(own, "mix"), "a slow starter lets the dough be mixed at another time")
	assert.NotEqual(t, line(published, "bulk"), line(own, "bulk"), "a fast dough ends its bulk otherwise")
	assert.Equal(t, own, saturday(t), "the same history gives the same plan")
	assert.Contains(t, saturday(t, "--vessel", "pot"), "past rises of dough 0, past feedings of the starter 5", "another vessel's rises do not speak")
}

// TestPlanTakesTheHouseholdFromTheConfiguration: the first vessel with dough, its
// target, the quiet hours, the history.
func TestPlanTakesTheHouseholdFromTheConfiguration(t *testing.T) {
	dir := taught(t)
	file := filepath.Join(dir, "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`state_dir: `+dir+`
household: {time_zone: Europe/Berlin, quiet_from: "20:15", quiet_until: "08:45"}
vessels:
  - {name: jar, holds: starter, floor_mm: 120, profile: {shape: straight, diameter_mm: 80, height_mm: 110}}
  - {name: tub, holds: dough, floor_mm: 240, profile: {shape: straight, diameter_mm: 180, height_mm: 200}}
`), 0o600))
	t.Setenv("TIDEMARK_STATE", "")
	t.Setenv("STATE_DIRECTORY", "")
	out := saturday(t, "--config", file)
	assert.Contains(t, out, "wanted Sun 8 Mar 2026 14:00", "by the household's zone")
	assert.Contains(t, out, "past rises of dough 7")
	assert.Contains(t, out, "named by state_dir in "+file)
	for _, at := range regexp.MustCompile(`(?m)^  (\d\d:\d\d) .* (?:mix|fold|shape|feed the levain) `).FindAllStringSubmatch(out, -1) {
		assert.True(t, at[1] >= "08:15" && at[1] <= "20:45", "it sleeps in its quiet hours, less the half hour of grace: %s", at[0])
	}
	_, err := plan(t, "--ready", "18:00", "--config", file, "--vessel", "pot")
	assert.ErrorContains(t, err, `has no vessel "pot"`)
}
