package kernel

import (
	"cmp"
	"context"
	"path/filepath"
	"strings"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// NewHwmon reads q from a hardware monitoring chip below root, where sysfs is
// mounted.
func NewHwmon(root string, q sensor.Quantity, conf sensor.Hwmon) *sensor.Driver {
	channel := cmp.Or(conf.Channel, map[sensor.Quantity]string{sensor.Temperature: "temp1", sensor.Humidity: "humidity1"}[q])
	input := channel + "_input"
	return source(q, func() (float64, error) {
		dir, err := find("hwmon "+channel, filepath.Join(root, "class/hwmon"), "hwmon*", conf.Device, conf.Name, input)
		if err != nil {
			return 0, err
		}
		if bad, err := numberOr(0, dir, channel+"_fault"); err == nil && bad != 0 {
			return 0, sensor.Fault(sensor.Unreliable, "channel.broken", "channel", channel)
		}
		v, err := number(dir, input)
		if err != nil {
			return 0, err
		}
		return air(q, v, conf.OffsetC)
	})
}

// NewIIO reads q from an industrial I/O device below root, where sysfs is mounted.
func NewIIO(root string, q sensor.Quantity, conf sensor.IIO) *sensor.Driver {
	return source(q, (&iio{root: root, q: q, conf: conf}).measure)
}

// iio is one channel of an industrial I/O device.
type iio struct {
	root string
	q    sensor.Quantity
	conf sensor.IIO
	flat flatLine
}

// measure finds the device and reads the channel in the unit of the quantity.
func (d *iio) measure() (float64, error) {
	usual := map[sensor.Quantity]string{sensor.Distance: "distance", sensor.Temperature: "temp", sensor.Humidity: "humidityrelative"}[d.q]
	channel := cmp.Or(d.conf.Channel, usual)
	in := "in_" + channel
	dir, err := find("IIO "+channel, filepath.Join(d.root, "bus/iio/devices"), "iio:device*", d.conf.Device, d.conf.Name, in+"_raw", in+"_input")
	if err != nil {
		return 0, err
	}
	v, raw, err := iioValue(filepath.Join(dir, in), d.q)
	if err != nil {
		return 0, err
	}
	if d.q != sensor.Distance {
		return air(d.q, v, d.conf.OffsetC)
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
	offset, err := numberOr(0, base+"_offset")
	return (raw + offset) * scale, raw, err
}

// distance refuses distances in mm that are codes or beyond the chip's range. The
// kernel's drivers do not look at the chips' own status, so it is done here.
func (d *iio) distance(mm, raw float64, chip string) (float64, error) {
	if raw == 8190 || raw == 8191 || raw == 255 && strings.HasPrefix(chip, "vl6180") {
		return 0, sensor.Fault(sensor.OutOfRange, "range.code", "code", raw)
	}
	if strings.HasPrefix(chip, "vl53l0x") && d.flat.repeats(raw, time.Now()) {
		return 0, sensor.Fault(sensor.Stuck, "range.flat", "mm", mm)
	}
	return d.conf.Apply(mm, sensor.ChipReach(chip))
}

// flatFor and flatCount are how long and how often a sensor with noise of its own
// must repeat one value before it counts as stuck. Common practice, no source.
const (
	flatFor   = 5 * time.Minute
	flatCount = 60
)

// flatLine notices a sensor that gives exactly the same value for too long, where
// noise alone should move it.
type flatLine struct {
	value float64
	since time.Time
	count int
}

// repeats takes the next value, read at a moment, and reports whether it has been the
// same for flatFor and flatCount readings.
func (f *flatLine) repeats(value float64, at time.Time) bool {
	if f.count == 0 || value != f.value {
		*f = flatLine{value: value, since: at}
	}
	f.count++
	return f.count >= flatCount && at.Sub(f.since) >= flatFor
}

// srf04Speed is the fixed speed of sound in m/s that the kernel's srf04 driver
// uses (drivers/iio/proximity/srf04.c), and srf04StepMM the resolution that its
// author names.
const (
	srf04Speed  = 343.5
	srf04StepMM = 3
)

// NewSRF04 reads an ultrasonic pair behind the kernel's driver below root, where
// sysfs is mounted, with a proper speed of sound. A burst of pings takes about 0.7 s.
// air may be nil.
func NewSRF04(root string, conf sensor.SRF04, air sensor.Air) *sensor.Driver {
	file := iio{root: root, q: sensor.Distance, conf: sensor.IIO{Device: conf.Device}}
	if conf.Device == "" {
		file.conf.Name = "srf04"
	}
	burst := sound.Burst{Conf: conf.Sound, Limits: conf.Limits, Air: air, StepMM: srf04StepMM, Gap: sound.BetweenPings}
	return &sensor.Driver{Quantity: sensor.Distance, Measure: burst.Of(func(_ context.Context, air sound.Air) (float64, error) {
		mm, err := file.measure()
		if sensor.StatusOf(err) == sensor.ReadFailed { // the driver says the same for both
			return 0, sensor.Fault(sensor.ReadFailed, "echo.kernel", "error", err)
		}
		return mm * air.SpeedMPS() / srf04Speed, err
	})}
}
