package kernel

import (
	"context"
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

// source makes a Source of what is read of files. It holds none open between two
// readings.
func source(q sensor.Quantity, measure func() (float64, error)) *sensor.Driver {
	return &sensor.Driver{Quantity: q, Measure: func(context.Context) (value, sd float64, err error) {
		value, err = measure()
		return value, 0, err
	}}
}

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
		return "", sensor.Fault(sensor.ReadFailed, "file.empty", "path", path)
	}
	return s, nil
}

// fileFault tells an absent file from one that cannot be read.
func fileFault(path string, err error) error {
	var no syscall.Errno
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return sensor.Fault(sensor.Missing, "file.gone", "path", path)
	case errors.Is(err, fs.ErrPermission):
		return sensor.Fault(sensor.ReadFailed, "file.permission", "path", path)
	case errors.Is(err, syscall.ETIMEDOUT):
		return sensor.Fault(sensor.ReadFailed, "file.late", "path", path)
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.EREMOTEIO):
		return sensor.Fault(sensor.ReadFailed, "file.error", "path", path)
	case errors.As(err, &no):
		err = no
	}
	return sensor.Fault(sensor.ReadFailed, "file.other", "path", path, "error", err)
}

// number reads a file that holds one plain decimal number.
func number(parts ...string) (float64, error) {
	s, err := text(parts...)
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
// is given, else the only one that matches pattern and has the name, or, without a
// name, one of the files.
func find(what, base, pattern, device, name string, files ...string) (string, error) {
	if device != "" {
		return filepath.Join(base, device), nil
	}
	if name != "" {
		what += " (" + name + ")"
	}
	var fit, names []string
	dirs, _ := filepath.Glob(filepath.Join(base, pattern)) // only a malformed pattern errs
	for _, dir := range dirs {
		own, _ := text(dir, "name") // unreadable: not the one
		has := false
		for _, f := range files {
			_, err := os.Stat(filepath.Join(dir, f))
			has = has || err == nil
		}
		if name != "" && own == name || name == "" && has {
			fit, names = append(fit, dir), append(names, filepath.Base(dir))
		}
	}
	switch len(fit) {
	case 0:
		return "", sensor.Fault(sensor.Missing, "device.none", "what", what)
	case 1:
		return fit[0], nil
	default:
		return "", sensor.Fault(sensor.Missing, "device.several", "n", len(fit), "what", what, "names", strings.Join(names, ", "))
	}
}

// air checks a temperature (in the kernel's thousandths of a degree) or humidity
// (thousandths of a percent) and returns it in Celsius, with offsetC added, or as a
// ratio. One percent is left for the error of humidity sensors at saturation.
func air(q sensor.Quantity, v, offsetC float64) (float64, error) {
	if q == sensor.Temperature {
		if v /= 1000; !(v >= -55 && v <= 125) {
			return 0, sensor.Fault(sensor.OutOfRange, "temperature.range", "measured_fine_c", v, "low_c", -55.0, "high_c", 125.0)
		}
		return v + offsetC, nil
	}
	if v /= 100000; !(v >= 0 && v <= 1.01) {
		return 0, sensor.Fault(sensor.OutOfRange, "humidity.range", "humidity_percent", 100*v)
	}
	return min(v, 1), nil
}
