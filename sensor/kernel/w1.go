package kernel

import (
	"context"
	"path/filepath"
	"strings"

	"tidemark/sensor"
)

// w1Families are the 1-wire family codes of thermometers: DS18B20, DS18S20,
// DS1822, DS1825, DS28EA00 (kernel w1_therm documentation).
func w1Families() []string { return []string{"28", "10", "22", "3b", "42"} }

// W1 is a 1-wire thermometer read through the kernel's w1_slave file.
type W1 struct {
	reader
	id      string
	offsetC float64
	clock   sensor.Clock
	guard   sensor.PowerOnGuard
}

// NewW1 reads the probe with the given id, such as 28-0123456789ab, or the only
// one there is when id is empty. root is where sysfs is mounted. offsetC is
// added to each value.
func NewW1(root, id string, offsetC float64, clock sensor.Clock) *W1 {
	return &W1{reader: newReader(root), id: id, offsetC: offsetC, clock: clock}
}

// Read reads the probe once; the kernel does a conversion for it, which takes
// up to 750 ms for each probe at 12 bits.
func (w *W1) Read(ctx context.Context) sensor.Reading {
	celsius, err := w.do(ctx, w.convert)
	r := w.clock.Stamp(sensor.Temperature)
	if err != nil {
		return r.Failed(err)
	}
	if !w.guard.Believe(celsius, r.Mono) {
		return r.Fault(sensor.PowerOn, "the probe says exactly 85.000 C, its value after power-on: no measurement was made; check its supply and pull-up")
	}
	return r.Good(celsius+w.offsetC, sensor.DS18B20StepSD)
}

// Close does nothing: no file is held open.
func (w *W1) Close() error { return nil }

// convert finds the probe and reads it.
func (w *W1) convert() (float64, error) {
	dir, err := w.find()
	if err != nil {
		return 0, err
	}
	s, err := text(filepath.Join(dir, "w1_slave"))
	if missing(err) {
		return 0, sensor.Faultf(sensor.Missing, "the probe %s is not there (%s); check its plug and wiring", filepath.Base(dir), dir)
	}
	if err != nil {
		return 0, err
	}
	return ParseW1(s, filepath.Base(dir)[:2])
}

// find looks for the probe's folder, every time anew.
func (w *W1) find() (string, error) {
	if w.id != "" {
		return filepath.Join(w.root, "bus/w1/devices", w.id), nil
	}
	found := w.probes()
	switch len(found) {
	case 0:
		return "", sensor.Faultf(sensor.Missing, "no 1-wire probe under %s/bus/w1/devices; check the wiring and that 1-wire is enabled", w.root)
	case 1:
		return found[0], nil
	default:
		return "", sensor.Faultf(sensor.Missing, "%d 1-wire probes found; name one by its id (%s)", len(found), strings.Join(bases(found), ", "))
	}
}

// probes lists the folders of all thermometers.
func (w *W1) probes() []string {
	var found []string
	for _, family := range w1Families() {
		found = append(found, w.devices("bus/w1/devices/"+family+"-*")...)
	}
	return found
}

// W1Probes lists the ids of the thermometers that the kernel sees.
func W1Probes(root string) []string {
	w := W1{reader: newReader(root)}
	return bases(w.probes())
}

// bases strips the folders off paths.
func bases(paths []string) []string {
	out := make([]string, len(paths))
	for i, p := range paths {
		out[i] = filepath.Base(p)
	}
	return out
}
