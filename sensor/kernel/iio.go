package kernel

import (
	"context"
	"path/filepath"
	"strings"

	"tidemark/sensor"
)

// IIO is one channel of an industrial I/O device.
type IIO struct {
	meter
	base    string
	conf    sensor.IIO
	channel string
	flat    sensor.FlatLine
}

// NewIIO reads q from a device below root, where sysfs is mounted.
func NewIIO(root string, q sensor.Quantity, conf sensor.IIO, clock sensor.Clock) *IIO {
	return &IIO{meter: meter{q: q, offsetC: conf.OffsetC, clock: clock}, base: filepath.Join(root, "bus/iio/devices"), conf: conf,
		channel: byQuantity(conf.Channel, q, "distance", "temp", "humidityrelative")}
}

// Read reads the channel once.
func (d *IIO) Read(context.Context) sensor.Reading { return d.reading(d.measure()) }

// measure finds the device and reads the channel in the unit of the quantity.
func (d *IIO) measure() (float64, error) {
	in := "in_" + d.channel
	dir, err := find("IIO device with "+d.channel, d.base, "iio:device*", d.conf.Device, d.conf.Name, in+"_raw", in+"_input")
	if err != nil {
		return 0, err
	}
	v, raw, err := iioValue(filepath.Join(dir, in), d.q)
	if err != nil {
		return 0, err
	}
	if d.q != sensor.Distance {
		return air(d.q, v)
	}
	chip, _ := text(dir, "name") // absent on some devices: then no chip limits
	return d.distance(v*1000, raw, chip)
}

// iioValue reads a processed value, or else raw, offset and scale:
// (raw + offset) * scale, offset and scale being optional. raw is 0 for a
// processed value.
func iioValue(base string, q sensor.Quantity) (v, raw float64, err error) {
	v, err = number(base + "_input")
	if err == nil || !missing(err) {
		return v, 0, err
	}
	if raw, err = number(base + "_raw"); err != nil {
		return 0, 0, err
	}
	scale, err := number(base + "_scale")
	if q != sensor.Distance && missing(err) { // a distance without a scale could be anything
		scale, err = 1, nil
	}
	if err != nil {
		return 0, 0, err
	}
	offset, err := numberOr(base+"_offset", 0)
	return (raw + offset) * scale, raw, err
}

// distance refuses distances in mm that are codes or beyond the chip's range. The
// kernel's drivers do not look at the chips' own status, so it is done here.
func (d *IIO) distance(mm, raw float64, chip string) (float64, error) {
	if raw == 8190 || raw == 8191 || raw == 255 && strings.HasPrefix(chip, "vl6180") {
		return 0, sensor.Faultf(sensor.OutOfRange, "nothing in range (the sensor gives its code %.0f, not a distance)", raw)
	}
	if _, mono := d.clock(); strings.HasPrefix(chip, "vl53l0x") && d.flat.Stuck(raw, mono) {
		return 0, sensor.Faultf(sensor.Stuck, "the sensor has given exactly %.0f mm for minutes; its noise alone should move it: unplug it and plug it in again", mm)
	}
	return d.conf.Apply(mm, sensor.ChipReach(chip))
}
