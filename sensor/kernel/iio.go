package kernel

import (
	"context"
	"path/filepath"
	"strings"

	"tidemark/sensor"
)

// IIOOptions says which IIO channel to read and what to believe of it.
type IIOOptions struct {
	Device  string  // folder, such as iio:device0; empty = found by Name, or the only fitting one
	Name    string  // what the kernel calls the chip, such as vl53l0x; empty = any
	Channel string  // such as distance or temp; empty = by quantity
	MinMM   float64 // nearer distances are refused; 0 = by chip
	MaxMM   float64 // farther distances are refused; 0 = by chip
	Offset  float64 // added to each value, in the unit of the quantity
}

// IIO is one channel of an industrial I/O device.
type IIO struct {
	reader
	q     sensor.Quantity
	opt   IIOOptions
	clock sensor.Clock
	still sensor.StillGuard
	noise sensor.NoiseMeter
}

// NewIIO reads the quantity q from an IIO channel under root, where sysfs is
// mounted.
func NewIIO(root string, q sensor.Quantity, opt IIOOptions, clock sensor.Clock) *IIO {
	if opt.Channel == "" {
		opt.Channel = map[sensor.Quantity]string{
			sensor.Distance: "distance", sensor.Temperature: "temp", sensor.Humidity: "humidityrelative",
		}[q]
	}
	return &IIO{reader: newReader(root), q: q, opt: opt, clock: clock}
}

// Close does nothing: no file is held open.
func (d *IIO) Close() error { return nil }

// Read reads the channel once.
func (d *IIO) Read(ctx context.Context) sensor.Reading {
	v, err := d.do(ctx, d.measure)
	r := d.clock.Stamp(d.q)
	if err != nil {
		return r.Failed(err)
	}
	return r.Good(v+d.opt.Offset, d.noise.Add(v, step(d.q)))
}

// step is the usual step of the kernel's drivers in the unit of q.
func step(q sensor.Quantity) float64 {
	return map[sensor.Quantity]float64{sensor.Distance: 1, sensor.Temperature: 0.01, sensor.Humidity: 0.001}[q]
}

// measure finds the device and reads the channel in the unit of the quantity.
func (d *IIO) measure() (float64, error) {
	dir, err := d.find()
	if err != nil {
		return 0, err
	}
	base := filepath.Join(dir, "in_"+d.opt.Channel)
	v, raw, err := iioValue(base, d.q)
	if err != nil {
		return 0, err
	}
	switch d.q {
	case sensor.Distance:
		chip, _ := text(filepath.Join(dir, "name")) // absent on some devices: then no chip limits
		return d.checkMM(v*1000, raw, chip)
	case sensor.Temperature:
		return checkAirC(v / 1000)
	default:
		return checkRatio(v / 100000)
	}
}

// iioValue reads a processed value, or else raw, offset and scale:
// (raw + offset) * scale, offset and scale being optional. raw is NaN-free and 0
// for a processed value.
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

// checkMM refuses distances that are sentinels or beyond the chip's range. The
// kernel's drivers do not look at the chips' own status, so it is done here.
func (d *IIO) checkMM(mm, raw float64, chip string) (float64, error) {
	if raw == 8190 || raw == 8191 {
		return 0, sensor.Faultf(sensor.OutOfRange, "nothing in range (the sensor gives its code %.0f, not a distance)", raw)
	}
	if strings.HasPrefix(chip, "vl6180") && raw == 255 {
		return 0, sensor.Faultf(sensor.OutOfRange, "nothing in range (the sensor gives its code 255, not a distance)")
	}
	if _, mono := d.clock(); strings.HasPrefix(chip, "vl53l0x") && !d.still.Moves(raw, mono) {
		return 0, sensor.Faultf(sensor.Stuck, "the sensor has given exactly %.0f mm for minutes; its noise alone should move it: unplug it and plug it in again", mm)
	}
	reach := sensor.ChipReach(chip)
	return sensor.CheckMM(mm, d.opt.MinMM, d.opt.MaxMM, reach.MinMM, reach.MaxMM)
}

// find looks for the device's folder, every time anew.
func (d *IIO) find() (string, error) {
	all := d.devices("bus/iio/devices/iio:device*")
	if d.opt.Device != "" {
		return filepath.Join(d.root, "bus/iio/devices", d.opt.Device), nil
	}
	var fit []string
	for _, dir := range all {
		if d.fits(dir) {
			fit = append(fit, dir)
		}
	}
	return only(fit, "IIO device with "+d.opt.Channel, d.opt.Name)
}

// fits tells whether a device has the channel and, if asked for, the name.
func (d *IIO) fits(dir string) bool {
	if d.opt.Name != "" {
		name, _ := text(filepath.Join(dir, "name")) // unreadable: not the one
		return name == d.opt.Name
	}
	return exists(filepath.Join(dir, "in_"+d.opt.Channel+"_raw")) ||
		exists(filepath.Join(dir, "in_"+d.opt.Channel+"_input"))
}

// only gives the one element of found, or says that there is none or that there
// are several.
func only(found []string, what, name string) (string, error) {
	if name != "" {
		what += " named " + name
	}
	switch len(found) {
	case 0:
		return "", sensor.Faultf(sensor.Missing, "no %s is there; check the wiring and the kernel overlay", what)
	case 1:
		return found[0], nil
	default:
		return "", sensor.Faultf(sensor.Missing, "%d of %s found (%s); choose one with device", len(found), what, strings.Join(bases(found), ", "))
	}
}

// checkAirC refuses temperatures that no kitchen has, in Celsius.
func checkAirC(celsius float64) (float64, error) {
	if !(celsius >= -55 && celsius <= 125) {
		return 0, sensor.Faultf(sensor.OutOfRange, "%.2f C is outside -55 to 125 C", celsius)
	}
	return celsius, nil
}

// checkRatio refuses a humidity outside 0..1, leaving 1 % for the sensor's
// error at saturation.
func checkRatio(ratio float64) (float64, error) {
	if !(ratio >= 0 && ratio <= 1.01) {
		return 0, sensor.Faultf(sensor.OutOfRange, "humidity %.3f is outside 0 to 1", ratio)
	}
	return min(ratio, 1), nil
}
