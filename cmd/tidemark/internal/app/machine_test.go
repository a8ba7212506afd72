package app

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/web"
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

// TestBusesThatAreOff: told on a Pi with the package alone, and only while a bus is
// missing.
func TestBusesThatAreOff(t *testing.T) {
	t.Parallel()
	const i2c, w1 = "dev/i2c-1", "sys/bus/w1/devices/w1_bus_master1"
	for _, c := range []struct {
		name, config string
		there        []string
		want         web.Buses
	}{
		{"no Pi", "", nil, web.BusesFine},
		{"both off", "dtparam=audio=on\n", nil, web.BusesOff},
		{"one off", "dtoverlay=w1-gpio\n", []string{w1}, web.BusesOff},
		{"off by a comment", "#dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n", []string{w1}, web.BusesOff},
		{"written, not started anew", "dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n", []string{i2c}, web.BusesAtRestart},
		{"on", "dtparam=i2c_arm=on\ndtoverlay=w1-gpio,gpiopin=17\n", []string{i2c, w1}, web.BusesFine},
		{"on by another way", "x=1\n", []string{i2c, w1}, web.BusesFine},
	} {
		root := t.TempDir()
		put := func(path, text string) {
			require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(root, path)), 0o755))
			require.NoError(t, os.WriteFile(filepath.Join(root, path), []byte(text), 0o600))
		}
		if c.config != "" {
			put("boot/firmware/config.txt", c.config)
		}
		for _, f := range c.there {
			put(f, "")
		}
		s := &setup{app: &App{opt: Options{Config: &config.Config{Sysfs: filepath.Join(root, "sys")}}}}
		assert.Equal(t, web.BusesFine, s.busesIn(root, "helper"), c.name)
		put("helper", "")
		assert.Equal(t, c.want, s.busesIn(root, "helper"), c.name)
	}
}

// TestSwitchingBusesOnEndsTheProcess: its service manager begins it anew, and with it the
// helper that is root.
func TestSwitchingBusesOnEndsTheProcess(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		a := &App{opt: Options{Config: &config.Config{StateDir: dir}}, failed: make(chan error, 1)}
		require.NoError(t, (&setup{app: a}).SwitchBusesOn())
		assert.FileExists(t, filepath.Join(dir, busRequest))
		assert.ErrorIs(t, <-a.Failed(), errBuses)
		a.opt.Config.StateDir = filepath.Join(dir, "none")
		require.ErrorContains(t, (&setup{app: a}).SwitchBusesOn(), "cannot be switched on")
	})
}
