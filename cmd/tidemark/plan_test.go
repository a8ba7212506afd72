package main

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	ics "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var updatePlan = flag.Bool("update-plan", false, "rewrite the golden timetable of tidemark plan")

func plan(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	err := runPlan(context.Background(), streams{strings.NewReader(""), &out, &errs}, args)
	return out.String(), err
}

// masked hides the figures: they follow the forecast's prior, which is checked
// elsewhere. The form of the timetable is checked here.
func masked(s string) string { return regexp.MustCompile(`[ ]*[0-9]+`).ReplaceAllString(s, "#") }

// regexpLine finds the line of a step in a timetable.
func regexpLine(step string) *regexp.Regexp {
	return regexp.MustCompile(`(?m)^  [0-9]{2}:[0-9]{2}  [-0-9: +dhmin]* ` + step + ` .*$`)
}

// The timetable of an invented Saturday.
func TestPlanGolden(t *testing.T) {
	t.Setenv("TIDEMARK_STATE", "/no/history")
	got, err := plan(t, "--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z", "--air", "22", "--warm", "79F")
	require.NoError(t, err)
	golden := filepath.Join("testdata", "plan", "overnight.txt")
	if *updatePlan {
		require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, masked(string(want)), masked(got))
}

func TestPlanWritesCalendar(t *testing.T) {
	file := filepath.Join(t.TempDir(), "bread.ics")
	out, err := plan(t, "--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z", "--ics", file)
	require.NoError(t, err)
	assert.Contains(t, out, "Calendar written to "+file)
	f, err := os.Open(file)
	require.NoError(t, err)
	defer f.Close()
	cal, err := ics.ParseCalendar(f)
	require.NoError(t, err)
	assert.Greater(t, len(cal.Events()), 10)
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, `plan needs --ready WHEN, e.g. --ready "tomorrow 08:00"`},
		{[]string{"--ready", "soon"}, `--ready: "soon" is no time`},
		{[]string{"--ready", "tomorrow", "08:00"}, `plan: "08:00" is not an option; a time of two words needs quotes`},
		{[]string{"--ready", "18:00", "--now", "never"}, `--now: "never" is no time`},
		{[]string{"--ready", "18:00", "--away", "15:00"}, `--away: "15:00" is no span of time`},
		{[]string{"--ready", "18:00", "--away", "15:00 to late"}, `--away: "late" is no time`},
		{[]string{"--ready", "18:00", "--starter", "x days"}, `--starter: "x days" is no number of days`},
		{[]string{"--ready", "18:00", "--starter", "old"}, `--starter: "old" is no time`},
		{[]string{"--ready", "18:00", "--air", "warm"}, `--air: "warm" is no temperature`},
		{[]string{"--ready", "18:00", "--air", "60"}, "temperature must be"},
		{[]string{"--ready", "18:00", "--loaves", "-2"}, "loaves: at least one loaf is needed"},
		{[]string{"--ready", "18:00", "--at-once", "-3"}, "at_once: must be"},
		{[]string{"--ready", "18:00", "--bake-in", "box"}, "bake_in: must be pot, tin, stone or tray"},
		{[]string{"--ready", "18:00", "--config", "/does/not/exist.yaml"}, "exist.yaml"},
	} {
		_, err := plan(t, c.args...)
		var usage usageError
		require.ErrorAs(t, err, &usage, "%v", c.args)
		assert.ErrorContains(t, err, c.want)
	}
}

// Three loaves with one pot are three bakes; on a stone there is steam and no pot.
func TestPlanKnowsTheOven(t *testing.T) {
	t.Setenv("TIDEMARK_STATE", "/no/history")
	one := []string{"--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z", "--loaves", "3", "--at-once", "1"}
	out, err := plan(t, one...)
	require.NoError(t, err)
	assert.Len(t, regexpLine("into the oven, covered").FindAllString(out, -1), 3)
	out, err = plan(t, append(one, "--bake-in", "stone")...)
	require.NoError(t, err)
	assert.NotContains(t, out, "into the oven, covered")
	assert.Contains(t, out, "steam")
}

// A household in Fahrenheit types and reads it, with its clock.
func TestPlanInFahrenheit(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TIDEMARK_STATE", dir)
	file := filepath.Join(dir, "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`household: {time_zone: UTC, temperature: fahrenheit, clock: 12h}
vessels:
  - {name: tub, holds: dough, floor_mm: 240, profile: {shape: straight, diameter_mm: 180, height_mm: 200}}
`), 0o600))
	out, err := plan(t, "--config", file, "--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z", "--air", "62", "--away", "15:00 to 18:00", "--starter", "9 days")
	require.NoError(t, err)
	assert.NotContains(t, out, "°C")
	assert.Contains(t, out, "Room 62\u00a0°F")
	assert.Contains(t, out, "1:00 pm")
	assert.Contains(t, out, "refresh the starter")
	assert.Contains(t, out, "At 62\u00a0°F the dough needs")
}

// A household that reads German is told in German, and how to feed a starter alone.
func TestPlanInGerman(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TIDEMARK_STATE", dir)
	file := filepath.Join(dir, "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`household: {time_zone: UTC, language: de}
vessels:
  - {name: tub, holds: dough, floor_mm: 240, profile: {shape: straight, diameter_mm: 180, height_mm: 200}}
`), 0o600))
	out, err := plan(t, "--config", file, "--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z")
	require.NoError(t, err)
	assert.Contains(t, out, "\nÜber Nacht im Kühlschrank\n")
	assert.Contains(t, out, "Vorsicht: Rauch oder Flammen")
	assert.NotRegexp(t, `\{|\b(step|caution|plan|why)\.[a-z]`, out)

	out, err = plan(t, "--config", file, "--now", "2026-03-07T18:00:00Z", "--peak", "tomorrow 07:00", "--air", "20C")
	require.NoError(t, err)
	assert.Contains(t, out, "1 : 5 : 5")
	assert.NotContains(t, out, "1 : 1 : 1", "that would have to be fed at two in the morning")
	_, err = plan(t, "--config", file, "--now", "2026-03-07T18:00:00Z", "--peak", "19:00")
	assert.ErrorContains(t, err, "Keine Fütterung")
}

func TestPlanCalendarInNoFolder(t *testing.T) {
	_, err := plan(t, "--now", "2026-03-07T08:00:00Z", "--ready", "2026-03-08T13:00:00Z", "--ics", filepath.Join(t.TempDir(), "no", "x.ics"))
	assert.ErrorContains(t, err, "the calendar cannot be written")
}
