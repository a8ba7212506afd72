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

// Fault is a way in which a file of the kernel fails: what stands in it instead, or one
// of the first two.
type Fault string

// The faults.
const (
	Missing    Fault = "missing"  // the file is gone
	IOError    Fault = "io error" // reading fails
	Empty      Fault = ""         // a conversion failed
	OutOfRange Fault = "8190\n"   // the distance sensor sees nothing
	BadCRC     Fault = "91 01 4b 46 7f ff 0f 10 25 : crc=da NO\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	PowerOn    Fault = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n" // 85 C with a good checksum
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

// Probe shows a temperature of a 1-wire probe in Celsius, with a checksum that fits.
func (t Tree) Probe(id string, celsius float64) error {
	register := int16(math.Round(celsius * 16))
	pad := []byte{byte(register), byte(register >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10}
	crc := onewire.CalcCRC(pad)
	hex := fmt.Sprintf("% x %02x", pad, crc)
	return t.put(slave(id), fmt.Sprintf("%s : crc=%02x YES\n%s t=%d\n", hex, crc, hex, int(register)*1000/16))
}

// BreakHeight lets the distance sensor fail.
func (t Tree) BreakHeight(f Fault) error { return t.fail(heightDir+"in_distance_raw", f) }

// BreakProbe lets a probe fail.
func (t Tree) BreakProbe(id string, f Fault) error { return t.fail(slave(id), f) }

// fail replaces a file by its failure.
func (t Tree) fail(path string, f Fault) error {
	full := filepath.Join(t.Root, path)
	switch f {
	case Missing:
		return os.RemoveAll(full)
	case IOError:
		return errors.Join(os.RemoveAll(full), os.MkdirAll(full, 0o755)) // reading a folder as a file fails
	}
	return t.put(path, string(f))
}
