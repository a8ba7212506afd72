package kernel

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"tidemark/sensor"
)

// maxFile is the most that is read of one kernel file, in bytes. The longest
// that is needed has about 80.
const maxFile = 4096

// text reads a small file whole, without its surrounding white space. A file
// that is absent or empty is a fault.
func text(parts ...string) (string, error) {
	path := filepath.Join(parts...)
	f, err := os.Open(path)
	if err != nil {
		return "", fileFault(path, err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxFile))
	if err != nil {
		return "", fileFault(path, err)
	}
	s := strings.TrimSpace(string(b))
	if s == "" {
		return "", sensor.Faultf(sensor.ReadFailed, "%s is empty: the conversion failed", path)
	}
	return s, nil
}

// fileFault tells an absent file from one that cannot be read.
func fileFault(path string, err error) error {
	var no syscall.Errno
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return sensor.Faultf(sensor.Missing, "%s is not there", path)
	case errors.Is(err, fs.ErrPermission):
		return sensor.Faultf(sensor.ReadFailed, "no permission to read %s; add the user to the group that owns it", path)
	case errors.Is(err, syscall.ETIMEDOUT):
		return sensor.Faultf(sensor.ReadFailed, "%s: the sensor did not answer in time", path)
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.EREMOTEIO):
		return sensor.Faultf(sensor.ReadFailed, "%s: the sensor answered with an error", path)
	case errors.As(err, &no):
		return sensor.Faultf(sensor.ReadFailed, "%s: %v", path, no)
	default:
		return sensor.Faultf(sensor.ReadFailed, "%s: %v", path, err)
	}
}

// number reads a file that holds one number.
func number(path string) (float64, error) {
	s, err := text(path)
	if err != nil {
		return 0, err
	}
	return parseNumber(path, s)
}

// numberOr reads a file that holds one number and may be absent.
func numberOr(path string, absent float64) (float64, error) {
	v, err := number(path)
	if missing(err) {
		return absent, nil
	}
	return v, err
}

// parseNumber reads a plain decimal number; name is for the error.
func parseNumber(name, s string) (float64, error) {
	plain := strings.Trim(s, "0123456789.-+eE") == ""
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !plain {
		return 0, sensor.Faultf(sensor.BadData, "%s holds %.40q, which is not a number", name, s)
	}
	return v, nil
}

// missing reports whether err says that something is not there.
func missing(err error) bool { return sensor.StatusOf(err) == sensor.Missing }

// glob returns the paths that match a pattern, sorted.
func glob(parts ...string) []string {
	found, _ := filepath.Glob(filepath.Join(parts...)) // only a malformed pattern errs
	return found
}

// bases strips the folders off paths.
func bases(paths []string) []string {
	out := make([]string, len(paths))
	for i, p := range paths {
		out[i] = filepath.Base(p)
	}
	return out
}

// find looks for the folder of a device, each time afresh: device below base if it
// is given, else the only one that matches pattern and has the name, or, without a
// name, one of the files.
func find(what, base, pattern, device, name string, files ...string) (string, error) {
	if device != "" {
		return filepath.Join(base, device), nil
	}
	var fit []string
	for _, dir := range glob(base, pattern) {
		own, _ := text(dir, "name") // unreadable: not the one
		has := false
		for _, f := range files {
			_, err := os.Stat(filepath.Join(dir, f))
			has = has || err == nil
		}
		if name != "" && own == name || name == "" && has {
			fit = append(fit, dir)
		}
	}
	if name != "" {
		what += " named " + name
	}
	switch len(fit) {
	case 0:
		return "", sensor.Faultf(sensor.Missing, "no %s is there; check the wiring and the kernel overlay", what)
	case 1:
		return fit[0], nil
	default:
		return "", sensor.Faultf(sensor.Missing, "%d of %s found (%s); choose one with device", len(fit), what, strings.Join(bases(fit), ", "))
	}
}

// air checks a temperature (in the kernel's thousandths of a degree) or humidity
// (thousandths of a percent) and returns it in Celsius or as a ratio. One percent
// is left for the error of humidity sensors at saturation.
func air(q sensor.Quantity, v float64) (float64, error) {
	if q == sensor.Temperature {
		if v /= 1000; !(v >= -55 && v <= 125) {
			return 0, sensor.Faultf(sensor.OutOfRange, "%.2f C is outside -55 to 125 C", v)
		}
		return v, nil
	}
	if v /= 100000; !(v >= 0 && v <= 1.01) {
		return 0, sensor.Faultf(sensor.OutOfRange, "humidity %.3f is outside 0 to 1", v)
	}
	return min(v, 1), nil
}

// meter turns the values of a channel into readings.
type meter struct {
	q       sensor.Quantity
	offsetC float64
	clock   sensor.Clock
	noise   sensor.NoiseMeter
}

// Close does nothing: no file is held open.
func (m *meter) Close() error { return nil }

// reading returns the reading of a value in the unit of the quantity.
func (m *meter) reading(v float64, err error) sensor.Reading {
	r := m.clock.Stamp(m.q)
	if err != nil {
		return r.Failed(err)
	}
	step := map[sensor.Quantity]float64{sensor.Distance: 1, sensor.Temperature: 0.01, sensor.Humidity: 0.001}[m.q] // usual in drivers
	if m.q == sensor.Temperature {
		v += m.offsetC
	}
	return r.Good(v, m.noise.Add(v, step))
}

// byQuantity returns channel, or the usual one of q.
func byQuantity(channel string, q sensor.Quantity, distance, temperature, humidity string) string {
	if channel != "" {
		return channel
	}
	return map[sensor.Quantity]string{sensor.Distance: distance, sensor.Temperature: temperature, sensor.Humidity: humidity}[q]
}
