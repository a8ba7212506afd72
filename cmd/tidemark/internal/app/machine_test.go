package app

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// put writes a file and its folders.
func put(t *testing.T, path, text string) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
}

func TestClockSet(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	never, set := t.TempDir(), t.TempDir()
	put(t, filepath.Join(set, "synchronized"), "")
	for _, c := range []struct {
		name string
		dir  string
		wall time.Time
		want bool
	}{
		{"set from the network", set, now, true},
		{"not yet", never, now, false},
		{"no such client here", filepath.Join(never, "none"), now, true},
		{"1970, whatever the client says", set, time.Unix(0, 0), false},
		{"before this program was written", filepath.Join(never, "none"), now.AddDate(-1, 0, 0), false},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, clockSet(c.dir, c.wall)) })
	}
}

// TestUnderVoltage reads what the kernel's raspberrypi-hwmon driver shows
// (Documentation/hwmon/raspberrypi-hwmon.rst: name rpi_volt, in0_lcrit_alarm).
func TestUnderVoltage(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		files map[string]string
		want  bool
	}{
		{"no such chip", nil, false},
		{"low", map[string]string{"hwmon0/name": "cpu_thermal\n", "hwmon1/name": "rpi_volt\n", "hwmon1/in0_lcrit_alarm": "1\n"}, true},
		{"good", map[string]string{"hwmon1/name": "rpi_volt\n", "hwmon1/in0_lcrit_alarm": "0\n"}, false},
		{"another chip's alarm", map[string]string{"hwmon0/name": "ina2xx\n", "hwmon0/in0_lcrit_alarm": "1\n"}, false},
		{"no alarm file", map[string]string{"hwmon1/name": "rpi_volt\n"}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := t.TempDir()
			for name, text := range c.files {
				put(t, filepath.Join(root, "class/hwmon", name), text)
			}
			assert.Equal(t, c.want, underVoltage(root))
		})
	}
}

func TestMachineState(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := machineState(dir, t.TempDir(), filepath.Join(dir, "none"), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC))
	assert.True(t, s.ClockSet)
	assert.False(t, s.UnderVoltage)
	assert.Greater(t, s.DiskFreeRatio, 0.0)
	assert.LessOrEqual(t, s.DiskFreeRatio, 1.0)
	assert.True(t, math.IsNaN(diskFree(filepath.Join(dir, "none"))), "a folder that is not there has no disk")
}
