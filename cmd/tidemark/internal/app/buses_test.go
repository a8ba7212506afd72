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
