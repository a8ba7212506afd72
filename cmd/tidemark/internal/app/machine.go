package app

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tidemark/alert"
)

// timesyncDir is where systemd's time client says that the clock was set.
const timesyncDir = "/run/systemd/timesync"

// earliestYear is the first year in which this program can run: an earlier
// clock was never set.
const earliestYear = 2026

// machineState looks at the machine itself.
func machineState(stateDir, sysfs, timesync string, wall time.Time) alert.System {
	return alert.System{
		ClockSet:      clockSet(timesync, wall),
		DiskFreeRatio: diskFree(stateDir),
		UnderVoltage:  underVoltage(sysfs),
	}
}

// clockSet says whether the wall clock can be trusted. Without systemd's time
// client the year alone decides.
func clockSet(dir string, wall time.Time) bool {
	if wall.Year() < earliestYear {
		return false
	}
	if _, err := os.Stat(dir); err != nil {
		return true
	}
	return setFromNetwork(dir)
}

// setFromNetwork says whether systemd's time client has set the clock.
func setFromNetwork(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, "synchronized"))
	return err == nil
}

// diskFree is the share of the disk under dir that is free, NaN when unknown.
func diskFree(dir string) float64 {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil || s.Blocks == 0 {
		return math.NaN()
	}
	return float64(s.Bavail) / float64(s.Blocks)
}

// underVoltage reads the Pi's own low-voltage alarm, where the kernel has it.
func underVoltage(sysfs string) bool {
	names, err := filepath.Glob(filepath.Join(sysfs, "class/hwmon/hwmon*/name"))
	if err != nil {
		return false
	}
	for _, n := range names {
		if name, err := os.ReadFile(n); err != nil || strings.TrimSpace(string(name)) != "rpi_volt" {
			continue
		}
		alarm, err := os.ReadFile(filepath.Join(filepath.Dir(n), "in0_lcrit_alarm"))
		return err == nil && strings.TrimSpace(string(alarm)) == "1"
	}
	return false
}
