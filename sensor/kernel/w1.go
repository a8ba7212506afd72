package kernel

import (
	"bytes"
	"encoding/hex"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tidemark/sensor"
)

// w1 is a 1-wire thermometer read through the kernel's w1_slave file.
type w1 struct {
	root  string
	conf  sensor.W1
	guard sensor.PowerOnGuard
}

// NewW1 reads a probe below root, where sysfs is mounted. The kernel does a conversion
// for each reading, which takes up to 750 ms for each probe at 12 bits.
func NewW1(root string, conf sensor.W1) *sensor.Driver {
	w := &w1{root: root, conf: conf}
	return source(sensor.Temperature, func() (float64, error) {
		celsius, err := w.convert()
		return w.guard.Check(time.Now(), celsius, conf.OffsetC, err)
	})
}

// convert finds the probe, each time afresh, and reads it.
func (w *w1) convert() (float64, error) {
	id := w.conf.ID
	if id == "" {
		switch ids := W1Probes(w.root); len(ids) {
		case 0:
			return 0, sensor.Fault(sensor.Missing, "w1.none", "root", w.root)
		case 1:
			id = ids[0]
		default:
			return 0, sensor.Fault(sensor.Missing, "probe.several", "n", len(ids), "ids", strings.Join(ids, ", "))
		}
	}
	dir := filepath.Join(w.root, "bus/w1/devices", id)
	s, err := text(dir, "w1_slave")
	if missing(err) {
		return 0, sensor.Fault(sensor.Missing, "w1.gone", "id", id, "path", dir)
	}
	if err != nil {
		return 0, err
	}
	return ParseW1(s, id[:2])
}

// W1Probes returns the ids of the thermometers that the kernel sees: DS18B20,
// DS18S20, DS1822, DS1825 and DS28EA00 (kernel w1_therm documentation).
func W1Probes(root string) []string {
	var found []string
	for _, family := range []string{"28", "10", "22", "3b", "42"} {
		paths, _ := filepath.Glob(filepath.Join(root, "bus/w1/devices", family+"-*")) // only a malformed pattern errs
		for _, p := range paths {
			found = append(found, filepath.Base(p))
		}
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
	odd := sensor.Fault(sensor.BadData, "w1.form", "text", s)
	first, second, _ := strings.Cut(s, "\n")
	f := strings.Fields(first)
	if len(f) != 12 || f[9] != ":" || !strings.HasPrefix(f[10], "crc=") {
		return 0, odd
	}
	var pad [9]byte
	if b, err := hex.DecodeString(strings.Join(f[:9], "")); err != nil || len(b) != copy(pad[:], b) || len(b) != len(pad) {
		return 0, odd
	}
	switch verdict := f[11]; {
	case strings.EqualFold(verdict, "no") && bytes.Count(pad[:], []byte{0xff}) == len(pad):
		return 0, sensor.Fault(sensor.Missing, "probe.ones")
	case strings.EqualFold(verdict, "no"):
		return 0, sensor.Fault(sensor.BadData, "probe.checksum")
	case !strings.EqualFold(verdict, "yes"):
		return 0, odd
	}
	_, t, _ := strings.Cut(second, "t=")
	milli, err := strconv.ParseInt(strings.TrimSpace(t), 10, 32)
	if err != nil {
		return 0, odd
	}
	celsius := float64(milli) / 1000
	if family != "28" {
		return celsius, sensor.CheckProbeC(celsius)
	}
	own, err := sensor.ScratchpadC(pad)
	if err == nil && math.Abs(own-celsius) > 0.5 {
		err = sensor.Fault(sensor.BadData, "w1.disagree", "kernel_fine_c", celsius, "probe_fine_c", own)
	}
	return celsius, err
}
