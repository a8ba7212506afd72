package app

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tidemark/web"
)

// busHelper is the package's script that runs as root after each start of the service
// and writes the lines, when busRequest is in the state folder.
const (
	busHelper  = "/usr/lib/tidemark/buses-on"
	busRequest = "switch-buses-on"
)

// errBuses ends the process, so that the service manager starts it anew and with it the
// helper.
var errBuses = errors.New("the service begins anew, so that the sensor buses are switched on")

// Buses tells whether the Pi's sensor buses are off, and whether that can be mended from
// the page.
func (s *setup) Buses() web.Buses { return s.busesIn("/", busHelper) }

// busesIn looks below a root.
func (s *setup) busesIn(root, helper string) web.Buses {
	there := func(pattern string) bool {
		found, _ := filepath.Glob(pattern) // the pattern is sound
		return len(found) > 0
	}
	var text []byte
	err := os.ErrNotExist
	for _, boot := range []string{"boot/firmware", "boot"} {
		if err != nil {
			text, err = os.ReadFile(filepath.Join(root, boot, "config.txt"))
		}
	}
	if err != nil || !there(filepath.Join(root, helper)) {
		return web.BusesFine // no Pi, or no package: what to do stands beside each bus
	}
	out := web.BusesFine
	for _, bus := range []struct{ files, line string }{ // lines as the helper writes them
		{filepath.Join(root, "dev/i2c-[0-9]*"), "dtparam=i2c_arm=on"},
		{filepath.Join(s.app.opt.Config.Sysfs, "bus/w1/devices/w1_bus_master*"), "dtoverlay=w1-gpio"},
	} {
		switch {
		case there(bus.files):
		case !bytes.Contains(append([]byte("\n"), text...), []byte("\n"+bus.line)):
			return web.BusesOff
		default:
			out = web.BusesAtRestart
		}
	}
	return out
}

// SwitchBusesOn asks the helper to write the lines. The service begins anew for it.
func (s *setup) SwitchBusesOn() error {
	if err := os.WriteFile(filepath.Join(s.app.opt.Config.StateDir, busRequest), nil, 0o640); err != nil {
		return fmt.Errorf("the sensor buses cannot be switched on: %w", err)
	}
	s.soon(func() {
		select {
		case s.app.failed <- errBuses:
		default: // it ends already
		}
	})
	return nil
}
