package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// inState is the good configuration with a state directory of the test.
func inState(t *testing.T) (file, state, text string) {
	t.Helper()
	state = t.TempDir()
	text = strings.Replace(good, "state_dir: /tmp/state", "state_dir: "+state, 1)
	require.NotEqual(t, good, text)
	file = filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	return file, state, text
}

// measured writes one entry for the first vessel.
func measured(t *testing.T, state string, m Measured) {
	t.Helper()
	body, err := FormatMeasured([]Measured{m})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(MeasuredFile(state), body, 0o600))
}

func TestMeasuredStandsOverTheFileUntilThatChanges(t *testing.T) {
	file, state, text := inState(t)
	cfg, err := Load(file, Sensors)
	require.NoError(t, err)
	require.Empty(t, cfg.Notes)
	was := cfg.Vessels[0]
	require.Equal(t, 240.0, was.FloorMM)
	m := Measured{Vessel: was.Name, At: time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC), FloorMM: 236.5, Profile: [][2]float64{{0, 0}, {80, 1.5}, {150, 3.3}}, Over: was.Configured}
	measured(t, state, m)
	cfg, err = Load(file, Sensors)
	require.NoError(t, err)
	assert.Empty(t, cfg.Notes)
	assert.Equal(t, 236.5, cfg.Vessels[0].FloorMM)
	assert.InDelta(t, 1.5, cfg.Vessels[0].Profile.Volume(80), 1e-9)
	assert.Equal(t, was.Configured, cfg.Vessels[0].Configured, "the mark is of the file")
	for i := range cfg.Vessels[1:] {
		assert.NotEqual(t, 236.5, cfg.Vessels[i+1].FloorMM)
	}

	m.Profile = nil
	measured(t, state, m)
	cfg, err = Load(file, Sensors)
	require.NoError(t, err)
	assert.Equal(t, 236.5, cfg.Vessels[0].FloorMM)
	assert.InDelta(t, was.Profile.Volume(80), cfg.Vessels[0].Profile.Volume(80), 1e-9, "without a profile the configured one stays")

	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(text, "floor_mm: 240", "floor_mm: 250", 1)), 0o600))
	cfg, err = Load(file, Sensors)
	require.NoError(t, err)
	assert.Equal(t, 250.0, cfg.Vessels[0].FloorMM, "the later word counts")
	assert.Contains(t, strings.Join(cfg.Notes, "\n"), "was changed in "+file+" after it was measured on 2026-03-14")
}

// TestDamagedMeasuredChangesNothing has a row for every way in which the file can
// be wrong: each is told, none keeps the watch from starting.
func TestDamagedMeasuredChangesNothing(t *testing.T) {
	file, state, _ := inState(t)
	for text, want := range map[string]string{
		"\t- :":            "measured.yaml:1:1: ",
		"measured: [null]": "measured.yaml:1:12: entry 1 of the list is empty",
		"measured:\n  - ":  "measured.yaml:2:5: entry 1 of the list is empty",
		"measured: [{vessel: tub, floor_mm: 200, profile: [[0, 0], [50, 1, 2]]}]":         "measured.yaml:1:59: measured[0].profile[1]: expected [height mm, litres], found 3 numbers",
		"measured: " + strings.Repeat("[", 60000):                                         "measured.yaml:1:42: lists and keys lie more than 32 deep here",
		"measured: [{vessel: tub, floor: 3}]":                                             "unknown field",
		"measured: [{vessel: ../tub, floor_mm: 200}]":                                     "no name of a vessel",
		"measured: [{vessel: tub, floor_mm: -3}]":                                         "more than 0 and at most 4000",
		"measured: [{vessel: tub, floor_mm: 100, profile: [[0, 0], [150, 2]]}]":           "150 mm high, more than the 100 mm",
		"measured: [{vessel: tub, floor_mm: 200, profile: [[0, 0], [50, 2], [60, 1.5]]}]": `vessel "tub"`,
		"# " + strings.Repeat("x", maxFileBytes):                                          "larger than 64 KiB",
	} {
		require.NoError(t, os.WriteFile(MeasuredFile(state), []byte(text), 0o600))
		cfg, err := Load(file, Sensors)
		require.NoError(t, err, want)
		assert.Equal(t, 240.0, cfg.Vessels[0].FloorMM)
		require.Len(t, cfg.Notes, 1, want)
		assert.Contains(t, cfg.Notes[0], want)
	}
	require.NoError(t, os.Remove(MeasuredFile(state)))
	require.NoError(t, os.Mkdir(MeasuredFile(state), 0o700))
	cfg, err := Load(file, Sensors)
	require.NoError(t, err)
	assert.Len(t, cfg.Notes, 1)
}

// FuzzParseMeasured never panics, and what it accepts can be written and read
// again.
func FuzzParseMeasured(f *testing.F) {
	f.Add([]byte("measured:\n  - vessel: tub\n    at: 2026-03-14T09:00:00Z\n    floor_mm: 236.5\n    profile: [[0, 0], [80, 1.5]]\n    over: 00ff\n"))
	f.Add([]byte(measuredText))
	f.Add([]byte("measured: [{vessel: tub, floor_mm: .inf}]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := ParseMeasured("m", text)
		if err != nil {
			return
		}
		again, err := FormatMeasured(list)
		require.NoError(t, err)
		back, err := ParseMeasured("m", again)
		require.NoError(t, err, "%s", again)
		require.Len(t, back, len(list))
		for i := range list {
			assert.Equal(t, list[i].FloorMM, back[i].FloorMM)
			assert.Equal(t, list[i].Vessel, back[i].Vessel)
		}
	})
}
