package kernel

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"tidemark/sensor"
)

// Hwmon is a temperature or humidity channel of a hardware monitoring chip.
type Hwmon struct {
	reader
	q                     sensor.Quantity
	device, name, channel string
	offset                float64
	clock                 sensor.Clock
	noise                 sensor.NoiseMeter
}

// NewHwmon reads q from the chip in the folder device (such as hwmon2), or with
// the name that the kernel gives it (such as sht3x), or the only fitting one. An
// empty channel is temp1 or humidity1. offset is added to each value, in the
// unit of q.
func NewHwmon(root string, q sensor.Quantity, device, name, channel string, offset float64, clock sensor.Clock) *Hwmon {
	if channel == "" {
		channel = map[sensor.Quantity]string{sensor.Temperature: "temp1", sensor.Humidity: "humidity1"}[q]
	}
	return &Hwmon{reader: newReader(root), q: q, device: device, name: name, channel: channel, offset: offset, clock: clock}
}

// Close does nothing: no file is held open.
func (h *Hwmon) Close() error { return nil }

// Read reads the channel once.
func (h *Hwmon) Read(ctx context.Context) sensor.Reading {
	v, err := h.do(ctx, h.measure)
	r := h.clock.Stamp(h.q)
	if err != nil {
		return r.Failed(err)
	}
	return r.Good(v+h.offset, h.noise.Add(v, step(h.q)))
}

// measure finds the chip and reads the channel in the unit of the quantity.
func (h *Hwmon) measure() (float64, error) {
	dir, err := h.find()
	if err != nil {
		return 0, err
	}
	if bad, err := numberOr(filepath.Join(dir, h.channel+"_fault"), 0); err == nil && bad != 0 {
		return 0, sensor.Faultf(sensor.Unreliable, "the chip reports that its %s sensor is broken or unplugged", h.channel)
	}
	v, err := number(filepath.Join(dir, h.channel+"_input"))
	if err != nil {
		return 0, err
	}
	if h.q == sensor.Temperature {
		return checkAirC(v / 1000)
	}
	return checkRatio(v / 100000)
}

// find looks for the chip's folder, every time anew.
func (h *Hwmon) find() (string, error) {
	if h.device != "" {
		return filepath.Join(h.root, "class/hwmon", h.device), nil
	}
	var fit []string
	for _, dir := range h.devices("class/hwmon/hwmon*") {
		name, _ := text(filepath.Join(dir, "name")) // unreadable: not the one
		if (h.name == "" || name == h.name) && exists(filepath.Join(dir, h.channel+"_input")) {
			fit = append(fit, dir)
		}
	}
	return only(fit, "hwmon chip with "+h.channel, h.name)
}

// exists tells whether there is a file.
func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// missing tells whether err says that something is not there.
func missing(err error) bool {
	var f *sensor.FaultError
	return errors.As(err, &f) && f.Status == sensor.Missing
}
