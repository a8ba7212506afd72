// Package pitree lays out a folder that looks like the part of a Pi's sysfs that
// tidemark reads: 1-wire probes and a distance sensor of the industrial I/O
// subsystem, with the faults that the kernel shows, for tests.
//
// Units: millimetres and degrees Celsius. Files are replaced whole by renaming,
// as a reader of sysfs never sees half a value.
//
// It does not imitate timing: a real 1-wire read takes 0.75 s.
package pitree

import (
	"fmt"
	"math"
	"os"
	"path/filepath"

	"tidemark/sensor"
)

// Fault is a way in which a file of the kernel fails.
type Fault string

// The faults.
const (
	Missing    Fault = "missing"      // the file, and for a probe its folder, is gone
	Empty      Fault = "empty"        // zero bytes: a conversion failed
	IOError    Fault = "io error"     // reading fails
	BadCRC     Fault = "bad crc"      // 1-wire text that says NO
	PowerOn    Fault = "power on"     // 85 C with a good checksum
	OutOfRange Fault = "out of range" // the sensor's nothing-seen value
)

// Tree is one folder in the place of /sys.
type Tree struct{ Root string }

// probeDir is the folder of a 1-wire probe.
func (t Tree) probeDir(id string) string { return filepath.Join(t.Root, "bus/w1/devices", id) }

// heightDir is the folder of the distance sensor.
func (t Tree) heightDir() string { return filepath.Join(t.Root, "bus/iio/devices/iio:device0") }

// Height shows a distance.
func (t Tree) Height(mm float64) error {
	if err := t.putIn(t.heightDir(), "name", "vl53l0x\n"); err != nil {
		return err
	}
	if err := t.putIn(t.heightDir(), "in_distance_scale", "0.001000\n"); err != nil {
		return err
	}
	return t.writeIn(t.heightDir(), "in_distance_raw", fmt.Sprintf("%d\n", int(math.Round(mm))))
}

// Probe shows a temperature of a 1-wire probe.
func (t Tree) Probe(id string, celsius float64) error {
	return t.writeIn(t.probeDir(id), "w1_slave", probeText(int16(math.Round(celsius*16)), true))
}

// probeText is what the kernel writes for a register value; a good text has a
// checksum that fits.
func probeText(register int16, good bool) string {
	pad := []byte{byte(register), byte(register >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10}
	crc, verdict := sensor.CRC8(pad), "YES"
	shown := crc
	if !good {
		shown, verdict = crc^0xff, "NO"
	}
	hex := fmt.Sprintf("% x %02x", pad, crc)
	return fmt.Sprintf("%s : crc=%02x %s\n%s t=%d\n", hex, shown, verdict, hex, int(register)*1000/16)
}

// BreakHeight lets the distance sensor fail.
func (t Tree) BreakHeight(f Fault) error {
	if f == OutOfRange {
		return t.Height(8190)
	}
	return t.breakFile(t.heightDir(), "in_distance_raw", f)
}

// BreakProbe lets a probe fail.
func (t Tree) BreakProbe(id string, f Fault) error {
	switch f {
	case BadCRC:
		return t.writeIn(t.probeDir(id), "w1_slave", probeText(401, false))
	case PowerOn:
		return t.writeIn(t.probeDir(id), "w1_slave", probeText(1360, true))
	case Missing:
		return os.RemoveAll(t.probeDir(id))
	}
	return t.breakFile(t.probeDir(id), "w1_slave", f)
}

// breakFile replaces a file by its failure.
func (t Tree) breakFile(dir, name string, f Fault) error {
	path := filepath.Join(dir, name)
	switch f {
	case Missing:
		return os.RemoveAll(path)
	case Empty:
		return t.writeIn(dir, name, "")
	case IOError:
		if err := os.RemoveAll(path); err != nil {
			return err
		}
		return os.Mkdir(path, 0o755) // reading a folder as a file fails
	}
	return fmt.Errorf("pitree: %s cannot fail by %q", name, f)
}

// putIn writes a file that never changes, unless it is there.
func (t Tree) putIn(dir, name, text string) error {
	if _, err := os.Lstat(filepath.Join(dir, name)); err == nil {
		return nil
	}
	return t.writeIn(dir, name, text)
}

// writeIn replaces a file whole. It tries the plain way first: the tree is
// written very often.
func (t Tree) writeIn(dir, name, text string) error {
	path, fresh := filepath.Join(dir, name), filepath.Join(t.Root, ".new")
	write := func() error {
		if err := os.WriteFile(fresh, []byte(text), 0o644); err != nil {
			return err
		}
		return os.Rename(fresh, path)
	}
	if write() == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() { // an IOError
		if err := os.RemoveAll(path); err != nil {
			return err
		}
	}
	return write()
}
