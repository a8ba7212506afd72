package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"tidemark/sensor"
)

// Flags of a GPIO line (linux/gpio.h, enum gpio_v2_line_flag), which the system
// library does not name.
const (
	flagInput       = 1 << 2
	flagOutput      = 1 << 3
	flagEdgeRising  = 1 << 4
	flagEdgeFalling = 1 << 5
)

// gpioLines are two lines of a GPIO chip through the kernel's character device.
// The GPIO library in use gives no timestamps of edges, and timing in this
// process would be off by up to 200 us (34 mm), so the kernel is asked directly.
type gpioLines struct{ out, in *os.File }

// openLines takes the trigger and echo lines (by their number on the chip) of a
// GPIO chip, such as /dev/gpiochip0; empty means the chip of the header pins,
// found by its label.
func openLines(device string, trigger, echo int) (lines, error) {
	chip, err := openChip(device)
	if err != nil {
		return nil, err
	}
	defer chip.Close()
	out, err := request(chip, trigger, flagOutput)
	if err != nil {
		return nil, err
	}
	in, err := request(chip, echo, flagInput|flagEdgeRising|flagEdgeFalling)
	if err != nil {
		_ = out.Close() // the error before matters more
		return nil, err
	}
	return &gpioLines{out, in}, nil
}

// openChip opens a chip by its device, or the one labelled as the header's.
func openChip(device string) (*os.File, error) {
	found := []string{device}
	if device == "" {
		found, _ = filepath.Glob("/dev/gpiochip*") // only a malformed pattern errs
	}
	for _, path := range found {
		f, err := os.Open(path)
		if err != nil {
			return nil, fileFault(path, "gpio", err)
		}
		var info unix.GPIOChipInfo
		if device != "" || ioctl(f, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info)) == nil && bytes.HasPrefix(info.Label[:], []byte("pinctrl-")) {
			return f, nil
		}
		_ = f.Close() // not the one
	}
	if len(found) == 0 {
		return nil, sensor.Fault(sensor.Missing, "gpio.none")
	}
	return nil, sensor.Fault(sensor.Missing, "gpio.unlabelled", "names", strings.Join(found, ", "))
}

// request takes one line of a chip.
func request(chip *os.File, line int, flags uint64) (*os.File, error) {
	req := unix.GPIOV2LineRequest{Num_lines: 1}
	req.Offsets[0], req.Config.Flags = uint32(line), flags
	copy(req.Consumer[:], "tidemark")
	err := ioctl(chip, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&req))
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, sensor.Fault(sensor.ReadFailed, "gpio.used", "line", line)
	case errors.Is(err, unix.EINVAL):
		return nil, sensor.Fault(sensor.Missing, "gpio.no_line", "path", chip.Name(), "line", line)
	case err == nil:
		if err = unix.SetNonblock(int(req.Fd), true); err == nil { // so that reading can be given up
			return os.NewFile(uintptr(req.Fd), fmt.Sprintf("gpio line %d", line)), nil
		}
		_ = unix.Close(int(req.Fd)) // the error before matters more
	}
	return nil, sensor.Fault(sensor.ReadFailed, "gpio.other", "line", line, "error", err)
}

// ioctl calls the kernel about a file without changing its blocking mode.
func ioctl(f *os.File, request uintptr, arg unsafe.Pointer) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var errno unix.Errno
	err = raw.Control(func(fd uintptr) { _, _, errno = unix.Syscall(unix.SYS_IOCTL, fd, request, uintptr(arg)) })
	if err == nil && errno != 0 {
		err = errno
	}
	return err
}

// trigger sets the trigger line.
func (g *gpioLines) trigger(high bool) (time.Duration, error) {
	values := unix.GPIOV2LineValues{Mask: 1}
	if high {
		values.Bits = 1
	}
	err := ioctl(g.out, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&values))
	var now unix.Timespec
	err = errors.Join(err, unix.ClockGettime(unix.CLOCK_MONOTONIC, &now)) // the clock of the edges
	return time.Duration(now.Nano()), err
}

// edge waits for the next change of the echo line.
func (g *gpioLines) edge(until time.Time) (rising bool, at time.Duration, err error) {
	var e unix.GPIOV2LineEvent
	if err = g.in.SetReadDeadline(until); err == nil {
		err = binary.Read(g.in, binary.NativeEndian, &e)
	}
	return e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE, time.Duration(e.Timestamp_ns), err
}

// Close frees both lines.
func (g *gpioLines) Close() error { return errors.Join(g.out.Close(), g.in.Close()) }
