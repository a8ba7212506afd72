package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
)

var updateHistory = flag.Bool("update-history", false, "rewrite the golden texts of tidemark history")

// kitchen is a state directory with an invented household's rises.
type kitchen struct{ dir, db, config string }

// newKitchen stores a few invented rises.
func newKitchen(t *testing.T) kitchen {
	t.Helper()
	k := kitchen{dir: t.TempDir()}
	k.db, k.config = filepath.Join(k.dir, "tidemark.db"), filepath.Join(k.dir, "tidemark.yaml")
	text := fmt.Sprintf(`state_dir: %s
household: {time_zone: Europe/Lisbon}
vessels:
  - {name: tub, holds: dough, floor_mm: 240, profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]}
`, k.dir)
	require.NoError(t, os.WriteFile(k.config, []byte(text), 0o600))
	ctx := t.Context()
	s, err := history.Open(ctx, k.db, history.Options{})
	require.NoError(t, err)
	start := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)
	for i, c := range []struct {
		warm    float64
		outcome string
	}{{22, "under"}, {25, "right"}, {28.5, "over"}} {
		addInvented(t, s, start.Add(time.Duration(i)*48*time.Hour), c.warm, c.outcome)
	}
	for i := range 9 {
		at := start.Add(time.Duration(i) * 7 * 24 * time.Hour)
		id, err := s.BeginRise(ctx, bake.Rise{Vessel: "jar", Holds: estimator.Starter, StartedAt: at, Demo: true}, nil)
		require.NoError(t, err)
		require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: id, Vessel: "jar", Holds: estimator.Starter, StartedAt: at, EndedAt: at.Add(9 * time.Hour),
			PeakAt: at.Add(6 * time.Hour), PeakPercent: 160 + 3*math.Sin(float64(i)), PeakEquivHours: 5 + 0.25*float64(i), Demo: true}))
	}
	require.NoError(t, s.Close(ctx))
	return k
}

// addInvented stores one invented rise of dough.
func addInvented(t *testing.T, s *history.Store, at time.Time, warm float64, outcome string) {
	t.Helper()
	ctx := t.Context()
	speed := math.Exp2((warm - 24) / 6)
	r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: at, BaselineL: 1.1, TargetPercent: 100, CeilingPercent: 140,
		MaxRate: 30 * speed, Phase: estimator.Ended, Demo: true}
	id, err := s.BeginRise(ctx, r, nil)
	require.NoError(t, err)
	r.ID = id
	for i := range 6 * 360 {
		h := float64(i) / 360
		row := bake.Recorded{Time: at.Add(time.Duration(i) * 10 * time.Second), DistanceMM: 180 - 8*h, DoughC: warm, AirC: 21,
			RisePercent: 130 / (1 + math.Exp(4-h*speed)), RiseSD: 1, EquivHours: h * speed}
		if i == 360 {
			row.Event = estimator.Fold
		}
		if row.RisePercent >= 100 && r.ReachedAt.IsZero() {
			r.ReachedAt = row.Time
		}
		r.PeakPercent, r.PeakAt = row.RisePercent, row.Time
		require.NoError(t, s.AppendRow(id, row))
	}
	if !r.ReachedAt.IsZero() {
		made := r.ReachedAt.Add(-65 * time.Minute)
		require.NoError(t, s.AppendForecast(history.Forecast{RiseID: id, At: made,
			Ready: estimator.Window{From: r.ReachedAt.Add(-20 * time.Minute), Median: r.ReachedAt.Add(5 * time.Minute), Until: r.ReachedAt.Add(30 * time.Minute)}}))
	}
	_, err = s.AddEvent(ctx, bake.Event{RiseID: id, At: at.Add(time.Hour), Kind: "fold", By: "page"})
	require.NoError(t, err)
	r.EndedAt = at.Add(6 * time.Hour)
	require.NoError(t, s.UpdateRise(ctx, r))
	require.NoError(t, s.JudgeRise(ctx, id, bake.Judgement{Outcome: outcome, OvenSpring: "some", Note: "an invented loaf of the test's own kitchen"}))
}

// look runs tidemark history and returns what it printed.
func (k kitchen) look(t *testing.T, in string, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	err := runHistory(context.Background(), streams{strings.NewReader(in), &out, &errs}, append(args, "--config", k.config))
	assert.Empty(t, errs.String())
	return out.String(), err
}

func TestHistoryGolden(t *testing.T) {
	k := newKitchen(t)
	for name, args := range map[string][]string{
		"list":          {"list"},
		"list-filtered": {"list", "--vessel", "tub", "--limit", "1"},
		"list-none":     {"list", "--vessel", "bowl"},
		"list-json":     {"list", "--json", "--limit", "1", "--vessel", "tub"},
		"show":          {"show", "2"},
	} {
		got, err := k.look(t, "", args...)
		require.NoError(t, err, name)
		golden := filepath.Join("testdata", "history", name+".txt")
		if *updateHistory {
			require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
			require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
		}
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		assert.Equal(t, string(want), got, name)
	}
}

func TestHistoryExports(t *testing.T) {
	k := newKitchen(t)
	csv, err := k.look(t, "", "export", "2")
	require.NoError(t, err)
	assert.Equal(t, 2161, strings.Count(csv, "\n"))
	json, err := k.look(t, "", "export", "2", "--json")
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(json, `{"rise":{"id":2,`))
	file := filepath.Join(k.dir, "r.csv")
	require.NoError(t, os.WriteFile(file, []byte(csv), 0o600))
	_, err = record.ReadFile(t.Context(), file, file)
	require.NoError(t, err)

	// What goes out comes back in, through the estimator.
	_, err = k.look(t, "", "import", file, "--vessel", "tub")
	require.ErrorIs(t, err, history.ErrExists)
	out, err := k.look(t, "", "import", file, "--vessel", "old bowl", "--holds", "dough")
	require.NoError(t, err)
	assert.Contains(t, out, "r.csv is now rise 13.\nOnly its readings are kept")
	moved := filepath.Join(k.dir, "moved.csv")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(moved, []byte(strings.ReplaceAll(string(text), "2026-03-16", "2026-02-16")), 0o600))
	out, err = k.look(t, "", "import", moved, "--vessel", "tub")
	require.NoError(t, err)
	assert.Equal(t, "moved.csv is now rise 14.\n", out)
	shown, err := k.look(t, "", "show", "14")
	require.NoError(t, err)
	assert.Regexp(t, `Mean dough temperature +25.0 °C`, shown)
	assert.Regexp(t, `Highest level +\d+ %`, shown)
}

func TestHistoryBackupAndRestore(t *testing.T) {
	k := newKitchen(t)
	file := filepath.Join(k.dir, "copy.db")
	out, err := k.look(t, "", "backup", file)
	require.NoError(t, err)
	assert.Contains(t, out, "and checked: 12 rises, 6480 samples")
	out, err = k.look(t, "n\n", "restore", file)
	require.ErrorContains(t, err, "nothing was changed")
	assert.Contains(t, out, "is sound: 12 rises")
	require.NoError(t, os.Remove(k.db))
	_, err = k.look(t, "", "list")
	require.ErrorContains(t, err, "there is no history at "+k.db+" (named by state_dir in "+k.config+"); name it with --db FILE")
	out, err = k.look(t, "yes\n", "restore", file)
	require.NoError(t, err)
	assert.Contains(t, out, "Restored to "+k.db)
	out, err = k.look(t, "", "restore", file, "--yes")
	require.NoError(t, err)
	assert.Contains(t, out, "The history from before is kept as "+k.db+".before-restore-")

	out, err = k.look(t, "n\n", "new")
	require.ErrorContains(t, err, "nothing was changed")
	assert.Contains(t, out, "Begin an empty history in the place of "+k.db)
	out, err = k.look(t, "", "new", "--yes")
	require.NoError(t, err)
	assert.Contains(t, out, "An empty history is in "+k.db)
	out, err = k.look(t, "", "list")
	require.NoError(t, err)
	assert.NotContains(t, out, "tub")
	_, err = k.look(t, "", "restore", file, "--yes")
	require.NoError(t, err)

	s, err := history.Open(t.Context(), k.db, history.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close(context.WithoutCancel(t.Context()))) }()
	for _, words := range [][]string{{"restore", file, "--yes"}, {"new", "--yes"}} {
		_, err = k.look(t, "", words...)
		require.ErrorContains(t, err, "sudo systemctl stop tidemark")
	}
	out, err = k.look(t, "", "list", "--vessel", "tub")
	require.NoError(t, err, "looking works beside the service")
	assert.Contains(t, out, "Mon 16 Mar 2026")
}

func TestHistoryFindsItsFile(t *testing.T) {
	k := newKitchen(t)
	run := func(args ...string) error {
		return runHistory(t.Context(), streams{strings.NewReader(""), &bytes.Buffer{}, &bytes.Buffer{}}, args)
	}
	nowhere := filepath.Join(k.dir, "none.yaml")
	require.NoError(t, run("list", "--db", k.db, "--config", nowhere))
	t.Setenv("STATE_DIRECTORY", k.dir+":/elsewhere")
	require.NoError(t, run("list", "--config", nowhere))
	t.Setenv("TIDEMARK_STATE", filepath.Join(k.dir, "not"))
	require.ErrorContains(t, run("list", "--config", k.config), "(named by TIDEMARK_STATE)")
	t.Setenv("TIDEMARK_STATE", "")
	t.Setenv("STATE_DIRECTORY", "")
	require.NoError(t, run("list", "--config", k.config))
	require.NoError(t, os.WriteFile(k.config, []byte("state_dir: ["), 0o600))
	require.ErrorContains(t, run("list", "--config", k.config), "tidemark.yaml:1")
	if _, err := os.Stat("/var/lib/tidemark"); os.IsNotExist(err) {
		require.ErrorContains(t, run("list", "--config", nowhere), "there is no history at /var/lib/tidemark/tidemark.db (the usual place)")
	}
}

func TestHistoryRefuses(t *testing.T) {
	k := newKitchen(t)
	bad := filepath.Join(k.dir, "bad.csv")
	require.NoError(t, os.WriteFile(bad, []byte(record.ShortHeader+"\n2026-03-14T10:00:00Z,x,,,\n"), 0o600))
	two := filepath.Join(k.dir, "two.csv")
	require.NoError(t, os.WriteFile(two, []byte(record.ShortHeader+"\n2026-03-14T10:00:00Z,100,,,start\n2026-03-14T11:00:00Z,99,,,start\n"), 0o600))
	empty := filepath.Join(k.dir, "empty.csv")
	require.NoError(t, os.WriteFile(empty, []byte(record.ShortHeader+"\n2026-03-14T10:00:00Z,,20,,\n"), 0o600))
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "history needs a word"},
		{[]string{"dance"}, `"dance" is not known`},
		{[]string{"show"}, "needs one number of a rise, found 0"},
		{[]string{"show", "x"}, `"x" is not the number of a rise`},
		{[]string{"show", "99"}, "no such record: rise 99; tidemark history list shows the numbers"},
		{[]string{"list", "--limit", "0"}, "--limit 0 is outside 1 to 500"},
		{[]string{"list", "1"}, `history list takes no "1"`},
		{[]string{"backup"}, "needs one FILE"},
		{[]string{"restore"}, "needs one FILE"},
		{[]string{"restore", bad}, "it is no sound history"},
		{[]string{"import", bad}, "--vessel NAME"},
		{[]string{"import", bad, "--vessel", "tub"}, "bad.csv:2:22"},
		{[]string{"import", two, "--vessel", "tub"}, "two.csv:3: a second start"},
		{[]string{"import", empty, "--vessel", "tub"}, "holds no rise"},
		{[]string{"import", two, "--vessel", "bowl"}, "say with --holds"},
		{[]string{"import", two, "--vessel", "bowl", "--holds", "soup"}, `"soup" is neither dough nor starter`},
	} {
		_, err := k.look(t, "", c.args...)
		assert.ErrorContains(t, err, c.want, "%v", c.args)
	}
}
