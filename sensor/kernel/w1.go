package kernel

import (
	"context"
	"encoding/hex"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"tidemark/sensor"
)

// W1 is a 1-wire thermometer read through the kernel's w1_slave file.
type W1 struct {
	root  string
	conf  sensor.W1
	clock sensor.Clock
	guard sensor.PowerOnGuard
}

// NewW1 reads a probe below root, where sysfs is mounted.
func NewW1(root string, conf sensor.W1, clock sensor.Clock) *W1 {
	return &W1{root: root, conf: conf, clock: clock}
}

// Read reads the probe once; the kernel does a conversion for it, which takes
// up to 750 ms for each probe at 12 bits.
func (w *W1) Read(context.Context) sensor.Reading {
	celsius, err := w.convert()
	return w.guard.Reading(w.clock.Stamp(sensor.Temperature), celsius, w.conf.OffsetC, err)
}

// Close does nothing: no file is held open.
func (w *W1) Close() error { return nil }

// convert finds the probe and reads it.
func (w *W1) convert() (float64, error) {
	dir, err := w.find()
	if err != nil {
		return 0, err
	}
	s, err := text(dir, "w1_slave")
	if missing(err) {
		return 0, sensor.Faultf(sensor.Missing, "the probe %s is not there (%s); check its plug and wiring", filepath.Base(dir), dir)
	}
	if err != nil {
		return 0, err
	}
	return ParseW1(s, filepath.Base(dir)[:2])
}

// find looks for the probe's folder, each time afresh.
func (w *W1) find() (string, error) {
	if w.conf.ID != "" {
		return filepath.Join(w.root, "bus/w1/devices", w.conf.ID), nil
	}
	ids := W1Probes(w.root)
	switch len(ids) {
	case 0:
		return "", sensor.Faultf(sensor.Missing, "no 1-wire probe under %s/bus/w1/devices; check the wiring and that 1-wire is enabled", w.root)
	case 1:
		return filepath.Join(w.root, "bus/w1/devices", ids[0]), nil
	default:
		return "", sensor.Faultf(sensor.Missing, "%d 1-wire probes found; name one by its id (%s)", len(ids), strings.Join(ids, ", "))
	}
}

// W1Probes returns the ids of the thermometers that the kernel sees: DS18B20,
// DS18S20, DS1822, DS1825 and DS28EA00 (kernel w1_therm documentation).
func W1Probes(root string) []string {
	var found []string
	for _, family := range []string{"28", "10", "22", "3b", "42"} {
		found = append(found, bases(glob(root, "bus/w1/devices", family+"-*"))...)
	}
	return found
}

// ParseW1 reads the two lines of a w1_slave file and returns the temperature in
// Celsius. family is the two hex digits that the probe's id begins with.
//
// The first line decides: on NO the temperature of the second line comes from
// damaged bytes and is refused. The case of YES and NO does not matter. The
// error tells what was expected and found.
func ParseW1(s, family string) (float64, error) {
	first, second, ok := strings.Cut(s, "\n")
	if !ok {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has one line, expected two: %.60q", s)
	}
	pad, verdict, err := w1FirstLine(first)
	switch {
	case err != nil:
		return 0, err
	case strings.EqualFold(verdict, "no") && sensor.AllBytes(pad, 0xff):
		return 0, sensor.Faultf(sensor.Missing, "the probe does not answer (all ones, which would read as -0.0625 C); check its wiring")
	case strings.EqualFold(verdict, "no"):
		return 0, sensor.Faultf(sensor.BadData, "checksum of the probe's answer is wrong; the value was thrown away")
	case !strings.EqualFold(verdict, "yes"):
		return 0, sensor.Faultf(sensor.BadData, "w1_slave ends its first line with %.20q, expected YES or NO", verdict)
	}
	celsius, err := w1SecondLine(second)
	if err != nil {
		return 0, err
	}
	if family != "28" {
		return celsius, sensor.CheckProbeC(celsius)
	}
	own, err := sensor.ScratchpadC(pad)
	if err == nil && math.Abs(own-celsius) > 0.5 {
		err = sensor.Faultf(sensor.BadData, "the kernel gives %.3f C but the probe's bytes mean %.3f C", celsius, own)
	}
	return celsius, err
}

// w1FirstLine splits "xx xx xx xx xx xx xx xx xx : crc=xx YES".
func w1FirstLine(line string) (pad [9]byte, verdict string, err error) {
	f := strings.Fields(line)
	if len(f) != 12 || f[9] != ":" || !strings.HasPrefix(f[10], "crc=") {
		return pad, "", sensor.Faultf(sensor.BadData, "w1_slave begins with %.60q, expected nine bytes, the checksum and YES or NO", line)
	}
	for i := range pad {
		b, err := hex.DecodeString(f[i])
		if err != nil || len(b) != 1 {
			return pad, "", sensor.Faultf(sensor.BadData, "w1_slave has %.10q where a byte was expected", f[i])
		}
		pad[i] = b[0]
	}
	return pad, f[11], nil
}

// w1SecondLine takes the thousandths of a degree from "... t=25062".
func w1SecondLine(line string) (float64, error) {
	_, t, ok := strings.Cut(line, "t=")
	if !ok {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has no t= in its second line: %.60q", line)
	}
	milli, err := strconv.ParseInt(strings.TrimSpace(t), 10, 32)
	if err != nil {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has t=%.20q, expected thousandths of a degree", t)
	}
	return float64(milli) / 1000, nil
}
