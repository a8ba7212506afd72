package sensortest

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"periph.io/x/conn/v3/onewire"
)

// Tree is a folder in the place of /sys, with 1-wire probes and a distance sensor of
// the industrial I/O subsystem. It does not imitate timing: a real 1-wire read takes
// 0.75 s.
type Tree struct{ Root string }

// Fault is a way in which a file of the kernel fails.
type Fault string

// The faults.
const (
	Missing    Fault = "missing"      // the file is gone
	Empty      Fault = "empty"        // zero bytes: a conversion failed
	IOError    Fault = "io error"     // reading fails
	BadCRC     Fault = "bad crc"      // 1-wire text that says NO
	PowerOn    Fault = "power on"     // 85 C with a good checksum
	OutOfRange Fault = "out of range" // the distance sensor's nothing-seen value
)

// heightDir is the folder of the distance sensor.
const heightDir = "bus/iio/devices/iio:device0/"

// slave is the file of a 1-wire probe.
func slave(id string) string { return "bus/w1/devices/" + id + "/w1_slave" }

// Put writes a file below root with its folders, as the kernel shows one.
func Put(t testing.TB, root, path, text string) {
	t.Helper()
	if err := (Tree{root}).put(path, text); err != nil {
		t.Fatal(err)
	}
}

// put replaces a file whole, as a reader of sysfs never sees half a value.
func (t Tree) put(path, text string) error {
	full, fresh := filepath.Join(t.Root, path), filepath.Join(t.Root, ".new")
	if info, err := os.Stat(full); err == nil && info.IsDir() { // an IOError
		if err := os.RemoveAll(full); err != nil {
			return err
		}
	}
	return errors.Join(os.MkdirAll(filepath.Dir(full), 0o755), os.WriteFile(fresh, []byte(text), 0o644), os.Rename(fresh, full))
}

// Height shows a distance in mm.
func (t Tree) Height(mm float64) error {
	if _, err := os.Stat(filepath.Join(t.Root, heightDir, "in_distance_scale")); err != nil { // these never change
		if err := errors.Join(t.put(heightDir+"name", "vl53l0x\n"), t.put(heightDir+"in_distance_scale", "0.001000\n")); err != nil {
			return err
		}
	}
	return t.put(heightDir+"in_distance_raw", fmt.Sprintf("%d\n", int(math.Round(mm))))
}

// Probe shows a temperature of a 1-wire probe in Celsius.
func (t Tree) Probe(id string, celsius float64) error {
	return t.put(slave(id), probeText(int16(math.Round(celsius*16)), true))
}

// probeText is what the kernel writes for a register value; a good text has a
// checksum that fits.
func probeText(register int16, good bool) string {
	pad := []byte{byte(register), byte(register >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10}
	crc, verdict := onewire.CalcCRC(pad), "YES"
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
	return t.fail(heightDir+"in_distance_raw", f)
}

// BreakProbe lets a probe fail.
func (t Tree) BreakProbe(id string, f Fault) error {
	switch f {
	case BadCRC:
		return t.put(slave(id), probeText(401, false))
	case PowerOn:
		return t.put(slave(id), probeText(1360, true))
	}
	return t.fail(slave(id), f)
}

// fail replaces a file by its failure.
func (t Tree) fail(path string, f Fault) error {
	full := filepath.Join(t.Root, path)
	switch f {
	case Missing:
		return os.RemoveAll(full)
	case Empty:
		return t.put(path, "")
	case IOError:
		return errors.Join(os.RemoveAll(full), os.MkdirAll(full, 0o755)) // reading a folder as a file fails
	}
	return fmt.Errorf("%s cannot fail by %q", path, f)
}
