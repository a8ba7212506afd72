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

// maxFile is the most that is read of one kernel file, in bytes. The longest
// that is needed has about 80.
const maxFile = 4096

// reader reads kernel files one at a time.
type reader struct {
	root string // where sysfs is mounted
	turn sensor.Turn
}

// newReader makes a reader of the sysfs mounted at root.
func newReader(root string) reader { return reader{root, sensor.NewTurn()} }

// do runs work, which reads files and may hang in the kernel, and gives up
// waiting when ctx ends.
func (r reader) do(ctx context.Context, work func() (float64, error)) (float64, error) {
	got := make(chan float64, 1)
	err := r.turn.Do(ctx, func() error {
		v, err := work()
		got <- v
		return err
	})
	if err != nil {
		return 0, err
	}
	return <-got, nil
}

// text reads a small file whole, without its surrounding white space. A file
// that is absent or empty is a fault.
func text(path string) (string, error) {
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

// devices lists the folders under root that match a pattern, sorted.
func (r reader) devices(pattern string) []string {
	found, err := filepath.Glob(filepath.Join(r.root, pattern))
	if err != nil {
		return nil // only a malformed pattern does this
	}
	return found
}
