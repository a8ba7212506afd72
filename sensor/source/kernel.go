package source

import (
	"cmp"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"tidemark/sensor"
)

// content reads a small file whole, without its surrounding white space. A file
// that is absent or empty is a fault.
func content(parts ...string) (string, error) {
	path := filepath.Join(parts...)
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fileFault(path, "", err)
	}
	s := strings.TrimSpace(string(b))
	if s == "" {
		return "", sensor.Fault(sensor.ReadFailed, "file.empty", "path", path)
	}
	return s, nil
}

// fileFault words what the system says of a file or device that members of a group may
// use; an empty group is everybody.
func fileFault(path, group string, err error) error {
	var no syscall.Errno
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return sensor.Fault(sensor.Missing, "file.gone", "path", path)
	case errors.Is(err, fs.ErrPermission) && group != "":
		return sensor.Fault(sensor.ReadFailed, "permission", "what", path, "group", group)
	case errors.Is(err, fs.ErrPermission):
		return sensor.Fault(sensor.ReadFailed, "file.permission", "path", path)
	case errors.Is(err, syscall.ETIMEDOUT):
		return sensor.Fault(sensor.ReadFailed, "file.late", "path", path)
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.EREMOTEIO):
		return sensor.Fault(sensor.ReadFailed, "file.error", "path", path)
	case errors.As(err, &no):
		err = no // without the path
	}
	return sensor.Fault(sensor.ReadFailed, "file.other", "path", path, "error", err)
}

// number reads a file that holds one plain decimal number.
func number(parts ...string) (float64, error) {
	s, err := content(parts...)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || strings.Trim(s, "0123456789.-+eE") != "" {
		return 0, sensor.Fault(sensor.BadData, "file.no_number", "path", filepath.Join(parts...), "text", s)
	}
	return v, nil
}

// numberOr is number of a file that may be absent.
func numberOr(absent float64, parts ...string) (float64, error) {
	v, err := number(parts...)
	if missing(err) {
		return absent, nil
	}
	return v, err
}

// missing reports whether err says that something is not there.
func missing(err error) bool { return sensor.StatusOf(err) == sensor.Missing }

// find looks for the folder of a device, each time afresh: device below base if it
// is given, else the only one that has the name, or, without a name, one of the files.
func find(what, base, device, name string, files ...string) (string, error) {
	if device != "" {
		return filepath.Join(base, device), nil
	}
	if name != "" {
		what += " (" + name + ")"
	}
	var names []string
	dirs, _ := filepath.Glob(filepath.Join(base, "*[0-9]")) // only a malformed pattern errs
	for _, dir := range dirs {
		own, _ := content(dir, "name") // unreadable: not the one
		fits := name != "" && own == name
		for _, f := range files {
			_, err := os.Stat(filepath.Join(dir, f))
			fits = fits || name == "" && err == nil
		}
		if fits {
			names = append(names, filepath.Base(dir))
		}
	}
	switch len(names) {
	case 0:
		return "", sensor.Fault(sensor.Missing, "device.none", "what", what)
	case 1:
		return filepath.Join(base, names[0]), nil
	default:
		return "", sensor.Fault(sensor.Missing, "device.several", "n", len(names), "what", what, "names", strings.Join(names, ", "))
	}
}

// celsius checks a temperature against what its sensor can measure and adds an offset.
func celsius(v, offsetC, low, high float64) (float64, error) {
	if !(v >= low && v <= high) {
		return 0, sensor.Fault(sensor.OutOfRange, "temperature.range", "measured_fine_c", v, "low_c", low, "high_c", high)
	}
	return v + offsetC, nil
}

// ratio checks a relative humidity. One percent is left for the error of sensors at
// saturation.
func ratio(v float64) (float64, error) {
	if !(v >= 0 && v <= 1.01) {
		return 0, sensor.Fault(sensor.OutOfRange, "humidity.range", "humidity_percent", 100*v)
	}
	return min(v, 1), nil
}

// air makes a temperature (in the kernel's thousandths of a degree) or humidity
// (thousandths of a percent) one in Celsius, with offsetC added, or a ratio.
func air(q sensor.Quantity, v, offsetC float64) (float64, error) {
	if q == sensor.Temperature {
		return celsius(v/1000, offsetC, -55, 125)
	}
	return ratio(v / 100000)
}

// readHwmon reads q from a hardware monitoring chip below root, where sysfs is mounted.
func readHwmon(root string, q sensor.Quantity, conf sensor.Hwmon) (float64, error) {
	usual := map[sensor.Quantity]string{sensor.Temperature: "temp1", sensor.Humidity: "humidity1"}
	channel := cmp.Or(conf.Channel, usual[q])
	dir, err := find("hwmon "+channel, filepath.Join(root, "class/hwmon"), conf.Device, conf.Name, channel+"_input")
	if err != nil {
		return 0, err
	}
	if bad, err := numberOr(0, dir, channel+"_fault"); err == nil && bad != 0 {
		return 0, sensor.Fault(sensor.Unreliable, "channel.broken", "channel", channel)
	}
	v, err := number(dir, channel+"_input")
	if err != nil {
		return 0, err
	}
	return air(q, v, conf.OffsetC)
}

// iio is one channel of an industrial I/O device below root, where sysfs is mounted.
type iio struct {
	root string
	q    sensor.Quantity
	conf sensor.IIO

	// For one that gives exactly the same value for too long.
	raw   float64
	since time.Time // that it gives raw
	count int       // how often
}

// measure finds the device and reads the channel in the unit of the quantity.
func (d *iio) measure() (float64, error) {
	usual := map[sensor.Quantity]string{sensor.Distance: "distance", sensor.Temperature: "temp", sensor.Humidity: "humidityrelative"}
	channel := cmp.Or(d.conf.Channel, usual[d.q])
	in := "in_" + channel
	dir, err := find("IIO "+channel, filepath.Join(d.root, "bus/iio/devices"), d.conf.Device, d.conf.Name, in+"_raw", in+"_input")
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
	chip, _ := content(dir, "name") // absent on some devices: then no chip limits
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

// flatFor and flatCount are how long and how often a sensor with noise of its own
// must repeat one value before it counts as stuck. Common practice, no source.
const (
	flatFor   = 5 * time.Minute
	flatCount = 60
)

// distance refuses distances in mm that are codes, repeated where noise alone should move
// them, or beyond the chip's range. The kernel's drivers do not look at the chips' own
// status, so it is done here.
func (d *iio) distance(mm, raw float64, chip string) (float64, error) {
	if raw == 8190 || raw == 8191 || raw == 255 && strings.HasPrefix(chip, "vl6180") {
		return 0, sensor.Fault(sensor.OutOfRange, "range.code", "code", raw)
	}
	if d.count == 0 || raw != d.raw {
		d.raw, d.since, d.count = raw, time.Now(), 0
	}
	d.count++
	if strings.HasPrefix(chip, "vl53l0x") && d.count >= flatCount && time.Since(d.since) >= flatFor {
		return 0, sensor.Fault(sensor.Stuck, "range.flat", "mm", mm)
	}
	return d.conf.Apply(mm, sensor.ChipReach(chip))
}

// srf04Speed is the fixed speed of sound in m/s that the kernel's srf04 driver
// uses (drivers/iio/proximity/srf04.c), and srf04StepMM the resolution that its
// author names.
const (
	srf04Speed  = 343.5
	srf04StepMM = 3
)

// newSRF04 reads an ultrasonic pair behind the kernel's driver, with a proper speed of
// sound. air may be nil.
func newSRF04(root string, conf sensor.SRF04, known sensor.Air) *sensor.Driver {
	dev := iio{root: root, q: sensor.Distance, conf: sensor.IIO{Device: conf.Device}}
	if conf.Device == "" {
		dev.conf.Name = "srf04"
	}
	b := burst{conf: conf.Sound, limits: conf.Limits, known: known, stepMM: srf04StepMM, gap: betweenPings}
	b.ping = func() (float64, error) {
		mm, err := dev.measure()
		if sensor.StatusOf(err) == sensor.ReadFailed { // the driver says the same for both
			return 0, sensor.Fault(sensor.ReadFailed, "echo.kernel", "error", err)
		}
		return mm * b.air().SpeedMPS() / srf04Speed, err
	}
	return &sensor.Driver{Measure: b.measure}
}
