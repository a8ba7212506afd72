package app

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

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

// TestUnderVoltage reads what the kernel's raspberrypi-hwmon driver shows
// (Documentation/hwmon/raspberrypi-hwmon.rst: name rpi_volt, in0_lcrit_alarm).
func TestUnderVoltage(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		files map[string]string
		want  bool
	}{
		"no such chip":         {nil, false},
		"low":                  {map[string]string{"hwmon0/name": "cpu_thermal\n", "hwmon1/name": "rpi_volt\n", "hwmon1/in0_lcrit_alarm": "1\n"}, true},
		"good":                 {map[string]string{"hwmon1/name": "rpi_volt\n", "hwmon1/in0_lcrit_alarm": "0\n"}, false},
		"another chip's alarm": {map[string]string{"hwmon0/name": "ina2xx\n", "hwmon0/in0_lcrit_alarm": "1\n"}, false},
		"no alarm file":        {map[string]string{"hwmon1/name": "rpi_volt\n"}, false},
	} {
		root := t.TempDir()
		for file, text := range c.files {
			put(t, filepath.Join(root, "class/hwmon", file), text)
		}
		assert.Equal(t, c.want, underVoltage(root), name)
	}
}

// TestBusesThatAreOff: told on a Pi with the package alone, and only while a bus is
// missing.
func TestBusesThatAreOff(t *testing.T) {
	t.Parallel()
	const i2c, w1 = "dev/i2c-1", "sys/bus/w1/devices/w1_bus_master1"
	for name, c := range map[string]struct {
		config string
		there  []string
		want   web.Buses
	}{
		"no Pi":                     {"", nil, web.BusesFine},
		"both off":                  {"dtparam=audio=on\n", nil, web.BusesOff},
		"one off":                   {"dtoverlay=w1-gpio\n", []string{w1}, web.BusesOff},
		"off by a comment":          {"#dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n", []string{w1}, web.BusesOff},
		"written, not started anew": {"dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n", []string{i2c}, web.BusesAtRestart},
		"on":                        {"dtparam=i2c_arm=on\ndtoverlay=w1-gpio,gpiopin=17\n", []string{i2c, w1}, web.BusesFine},
		"on by another way":         {"x=1\n", []string{i2c, w1}, web.BusesFine},
	} {
		root := t.TempDir()
		if c.config != "" {
			put(t, filepath.Join(root, "boot/firmware/config.txt"), c.config)
		}
		for _, f := range c.there {
			put(t, filepath.Join(root, f), "")
		}
		s := &setup{app: &App{opt: Options{Config: &config.Config{Sysfs: filepath.Join(root, "sys")}}}}
		assert.Equal(t, web.BusesFine, s.busesIn(root, "helper"), name)
		put(t, filepath.Join(root, "helper"), "")
		assert.Equal(t, c.want, s.busesIn(root, "helper"), name)
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
