package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor/survey"
)

// kitchenOf writes a tree of kernel files and a configuration that uses it.
func kitchenOf(t *testing.T, distance, probe string) (configFile, sysfs string) {
	t.Helper()
	dir := t.TempDir()
	write := func(path, text string) string {
		full := filepath.Join(dir, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		require.NoError(t, os.WriteFile(full, []byte(text), 0o600))
		return full
	}
	const iio = "sys/bus/iio/devices/iio:device0/"
	write(iio+"name", "vl53l0x\n")
	write(iio+"in_distance_raw", distance+"\n")
	write(iio+"in_distance_scale", "0.001\n")
	write("sys/bus/w1/devices/28-0123456789ab/w1_slave", probe)
	return write("tidemark.yaml", `# invented
sysfs: `+filepath.Join(dir, "sys")+`
web: {listen: "127.0.0.1:0"}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240   # by ruler
    profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]
    height: {kind: iio, name: vl53l0x}
    dough: {kind: w1}
`), filepath.Join(dir, "sys")
}

const (
	warmProbe = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	badProbe  = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
)

// said runs a command and gives what it printed.
func said(t *testing.T, in string, run func(s streams) error) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := run(streams{strings.NewReader(in), &out, &out})
	return out.String(), err
}

func TestCheckPrintsATableAndItsExitCode(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		distance, probe string
		code            error
		want            []string
	}{
		"good":      {"187", warmProbe, nil, []string{"tub     Height  iio vl53l0x  yes", "187.0 mm", "25.1\u00a0°C", "good"}},
		"power-on":  {"187", badProbe, exitError(exitFailed), []string{"yes, no value", "failed", "tub, Dough: the probe says exactly 85.0\u00a0°C", "What this machine finds on its buses:", "thermometer 28-0123456789ab", "  - the probe gets too little power"}},
		"nothing":   {"8190", warmProbe, exitError(exitFailed), []string{"tub, Height: nothing in range", "  - put the sensor over the vessel"}},
		"too far":   {"330", warmProbe, exitError(exitDoubtful), []string{"doubtful", "it sees 330 mm, farther than the empty vessel's floor at 240 mm", "tidemark level"}},
		"unplugged": {"", warmProbe, exitError(exitFailed), []string{"in_distance_raw is empty"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			file, _ := kitchenOf(t, c.distance, c.probe)
			out, err := said(t, "", func(s streams) error {
				return runCheck(t.Context(), s, []string{"--config", file, "--seconds", "1"})
			})
			assert.ErrorIs(t, err, c.code, out)
			for _, w := range c.want {
				assert.Contains(t, out, w)
			}
		})
	}
}

// TestCheckSaysWhatIsMissing: buttons in messages need an address, and an address
// that cannot be listened at is not said to be taken.
func TestCheckSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	file, _ := kitchenOf(t, "187", warmProbe)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	more := strings.Replace(string(text), `"127.0.0.1:0"`, `"192.0.2.1:8080"`, 1) // of RFC 5737: no machine has it
	more += "channels: [{name: phone, kind: topic, url: \"https://push.example.org\", topic: kitchen}]\n"
	require.NoError(t, os.WriteFile(file, []byte(more), 0o600))
	check := func() string {
		out, err := said(t, "", func(s streams) error { return runCheck(t.Context(), s, []string{"--config", file, "--seconds", "1"}) })
		require.NoError(t, err, out)
		return out
	}
	out := check()
	assert.Contains(t, out, "Note: messages carry no buttons to answer a warning: they need base_url under web")
	assert.NotContains(t, out, "listens at")
	assert.Contains(t, out, "Reading 2 sensors for 1s.")
	more = strings.Replace(more, "web: {", `web: {base_url: "http://pi.example.org:8080", `, 1)
	require.NoError(t, os.WriteFile(file, []byte(more), 0o600))
	assert.NotContains(t, check(), "Note:")
}

func TestCheckRefusesWrongCallsAndConfigurations(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{"--config", "/nonexistent.yaml"}, {"x"}, {"--seconds", "0"}, {"--nonsense"}} {
		_, err := said(t, "", func(s streams) error { return runCheck(t.Context(), s, args) })
		var usage usageError
		assert.ErrorAs(t, err, &usage, "%v", args)
	}
	out, err := said(t, "", func(s streams) error { return runCheck(t.Context(), s, []string{"-h"}) })
	assert.Equal(t, exitError(exitOK), err)
	assert.Contains(t, out, "exit codes:")
}

func TestScanListsAndSuggests(t *testing.T) {
	t.Parallel()
	_, sysfs := kitchenOf(t, "187", warmProbe)
	out, err := said(t, "", func(s streams) error { return runCheck(t.Context(), s, []string{"--scan", "--sysfs", sysfs}) })
	require.NoError(t, err)
	for _, w := range []string{"thermometer 28-0123456789ab", "vl53l0x, distance", "hwmon chips", "none found",
		"{kind: iio, name: vl53l0x}", "{kind: w1, id: 28-0123456789ab}"} {
		assert.Contains(t, out, w)
	}
}

// One thing is not said in the plural.
func TestOneSensorIsNotSensors(t *testing.T) {
	t.Parallel()
	file, _ := kitchenOf(t, "187", warmProbe)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), "    dough: {kind: w1}\n", "", 1)), 0o600))
	out, err := said(t, "", func(s streams) error { return runCheck(t.Context(), s, []string{"--config", file, "--seconds", "1"}) })
	require.NoError(t, err)
	assert.Contains(t, out, "Reading 1 sensor for 1s.")
	assert.Equal(t, "1 vessel", count(1, "vessel"))
	assert.Equal(t, "2 vessels", count(2, "vessel"))
}

func TestLevelMeasuresShowsAsksAndWrites(t *testing.T) {
	t.Parallel()
	file, _ := kitchenOf(t, "243", warmProbe)
	before, err := os.ReadFile(file)
	require.NoError(t, err)
	level := func(in string) (string, error) {
		return said(t, in, func(s streams) error { return runLevel(t.Context(), s, []string{"--config", file, "--seconds", "1"}) })
	}

	out, err := level("\n\nn\n")
	require.NoError(t, err)
	assert.Contains(t, out, "The floor is 243.0 mm away")
	assert.Contains(t, out, "-     floor_mm: 240   # by ruler\n  +     floor_mm: 243   # by ruler")
	assert.Contains(t, out, "Nothing was changed.")
	after, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, before, after)

	out, err = level("\n\ny\n")
	require.NoError(t, err)
	assert.Contains(t, out, "In this vessel a time is told to about ± ")
	assert.Contains(t, out, "Written.")
	after, err = os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, strings.Replace(string(before), "floor_mm: 240", "floor_mm: 243", 1), string(after))
	kept, err := filepath.Glob(file + ".before-*")
	require.NoError(t, err)
	require.Len(t, kept, 1)
	old, err := os.ReadFile(kept[0])
	require.NoError(t, err)
	assert.Equal(t, before, old)
	info, err := os.Stat(file)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	out, err = level("\n\n")
	require.NoError(t, err)
	assert.Contains(t, out, "Nothing differs")
}

func TestLevelStopsWhenAnswersEndOrNothingIsSeen(t *testing.T) {
	t.Parallel()
	file, sysfs := kitchenOf(t, "243", warmProbe)
	level := func(in string, args ...string) error {
		_, err := said(t, in, func(s streams) error {
			return runLevel(t.Context(), s, append([]string{"--config", file, "--seconds", "1"}, args...))
		})
		return err
	}
	assert.ErrorIs(t, level(""), errGivenUp)
	assert.ErrorIs(t, level("\n"), errGivenUp)
	assert.ErrorContains(t, level("\n\n", "--vessel", "cup"), "cup")
	require.NoError(t, os.WriteFile(filepath.Join(sysfs, "bus/iio/devices/iio:device0/in_distance_raw"), []byte("8190"), 0o600))
	assert.ErrorContains(t, level("\n\n"), "nothing in range")
}

func TestLevelTakesWaterAndWritesTheProfile(t *testing.T) {
	t.Parallel()
	file, sysfs := kitchenOf(t, "240", warmProbe)
	raw := filepath.Join(sysfs, "bus/iio/devices/iio:device0/in_distance_raw")
	in, keyboard := io.Pipe()
	person := &baker{t: t, file: raw, keyboard: keyboard, acts: []act{
		{"240", ""}, {"195", "0,9"}, {"195", "x"}, {"150", "2 l"}, {"150", ""}, {"150", "y"}}}
	err := runLevel(t.Context(), streams{in, person, person}, []string{"--config", file, "--seconds", "1"})
	out := person.screen.String()
	require.NoError(t, err, out)
	assert.Contains(t, out, "0.9 L stand 45.0 mm high.")
	assert.Contains(t, out, `"x" is not a number of litres`)
	assert.NotContains(t, out, "Note: at")
	assert.Contains(t, out, "Note: above the last level of water")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Contains(t, string(text), "profile: [[0, 0], [45, 0.9], [90, 2], [120, 2.79], [150, 3.655]]\n")
}

// act is what a baker does when asked: fill the vessel to a distance and type.
type act struct{ distance, answer string }

// baker reads the screen and answers each question.
type baker struct {
	t        *testing.T
	file     string // of the distance
	keyboard io.Writer
	acts     []act
	screen   bytes.Buffer
}

// Write takes what the program prints; a question ends with a blank.
func (b *baker) Write(p []byte) (int, error) {
	b.screen.Write(p)
	if bytes.HasSuffix(p, []byte(" ")) && len(b.acts) > 0 {
		next := b.acts[0]
		b.acts = b.acts[1:]
		require.NoError(b.t, os.WriteFile(b.file, []byte(next.distance), 0o600))
		go func() { _, _ = io.WriteString(b.keyboard, next.answer+"\n") }()
	}
	return len(p), nil
}

func TestVerdictCode(t *testing.T) {
	t.Parallel()
	of := func(v ...survey.Verdict) error {
		var f []survey.Result
		for _, one := range v {
			f = append(f, survey.Result{Verdict: one})
		}
		return verdictCode(f)
	}
	assert.NoError(t, of())
	assert.NoError(t, of(survey.Good, survey.Good))
	assert.Equal(t, exitError(exitDoubtful), of(survey.Good, survey.Doubtful))
	assert.Equal(t, exitError(exitFailed), of(survey.Doubtful, survey.Failed, survey.Good))
}
