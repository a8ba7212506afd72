package chip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
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
type gpioLines struct {
	trigger *os.File
	echo    *os.File
}

// OpenLines takes the trigger and echo lines (by their number on the chip) of a
// GPIO chip, such as /dev/gpiochip0; empty means the chip of the header pins,
// found by its label.
func OpenLines(device string, trigger, echo int) (Lines, error) {
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
	if device != "" {
		return openDevice(device)
	}
	found, _ := filepath.Glob("/dev/gpiochip*") // only a malformed pattern errs
	for _, path := range found {
		f, err := openDevice(path)
		if err != nil {
			return nil, err
		}
		if strings.HasPrefix(label(f), "pinctrl-") {
			return f, nil
		}
		_ = f.Close() // not the one
	}
	if len(found) == 0 {
		return nil, sensor.Faultf(sensor.Missing, "this machine has no GPIO lines that programs may use")
	}
	return nil, sensor.Faultf(sensor.Missing, "none of the GPIO chips (%s) has the label of header pins; name one with device", strings.Join(found, ", "))
}

// openDevice opens a chip's device file.
func openDevice(path string) (*os.File, error) {
	f, err := os.Open(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, sensor.Faultf(sensor.Missing, "%s is not there", path)
	case errors.Is(err, fs.ErrPermission):
		return nil, sensor.Faultf(sensor.ReadFailed, "no permission to open %s; add the user to the group gpio", path)
	case err != nil:
		return nil, sensor.Faultf(sensor.ReadFailed, "%v", err)
	}
	return f, nil
}

// label asks a chip for its label; empty when it does not say.
func label(chip *os.File) string {
	var info unix.GPIOChipInfo
	if ioctl(chip, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info)) != nil {
		return ""
	}
	name, _, _ := bytes.Cut(info.Label[:], []byte{0})
	return string(name)
}

// request takes one line of a chip.
func request(chip *os.File, line int, flags uint64) (*os.File, error) {
	req := unix.GPIOV2LineRequest{Num_lines: 1}
	req.Offsets[0] = uint32(line)
	req.Config.Flags = flags
	copy(req.Consumer[:], "tidemark")
	err := ioctl(chip, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&req))
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, sensor.Faultf(sensor.ReadFailed, "GPIO line %d is in use by another program or overlay", line)
	case errors.Is(err, unix.EINVAL):
		return nil, sensor.Faultf(sensor.Missing, "%s has no line %d that can do this", chip.Name(), line)
	case err != nil:
		return nil, sensor.Faultf(sensor.ReadFailed, "GPIO line %d: %v", line, err)
	}
	if err := unix.SetNonblock(int(req.Fd), true); err != nil { // so that reading can be given up
		_ = unix.Close(int(req.Fd)) // the error before matters more
		return nil, sensor.Faultf(sensor.ReadFailed, "GPIO line %d: %v", line, err)
	}
	return os.NewFile(uintptr(req.Fd), fmt.Sprintf("gpio line %d", line)), nil
}

// ioctl calls the kernel about a file without changing its blocking mode.
func ioctl(f *os.File, request uintptr, arg unsafe.Pointer) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var errno unix.Errno
	if err := raw.Control(func(fd uintptr) {
		_, _, errno = unix.Syscall(unix.SYS_IOCTL, fd, request, uintptr(arg))
	}); err != nil {
		return err
	}
	if errno != 0 {
		return errno
	}
	return nil
}

// Trigger sets the trigger line.
func (g *gpioLines) Trigger(high bool) error {
	values := unix.GPIOV2LineValues{Mask: 1}
	if high {
		values.Bits = 1
	}
	return ioctl(g.trigger, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&values))
}

// Edge waits for the next change of the echo line.
func (g *gpioLines) Edge(ctx context.Context) (Edge, error) {
	deadline, ok := ctx.Deadline()
	if !ok {
		deadline = time.Now().Add(time.Second)
	}
	return readEdge(g.echo, deadline)
}

// readEdge reads one event of a line.
func readEdge(f *os.File, deadline time.Time) (Edge, error) {
	if err := f.SetReadDeadline(deadline); err != nil {
		return Edge{}, err
	}
	var e unix.GPIOV2LineEvent
	if err := binary.Read(f, binary.NativeEndian, &e); err != nil {
		return Edge{}, err
	}
	return Edge{Rising: e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE, At: time.Duration(e.Timestamp_ns)}, nil
}

// Drain reads the changes that are waiting.
func (g *gpioLines) Drain() error { return drain(g.echo) }

// drain empties a file that does not block.
func drain(f *os.File) error {
	if err := f.SetReadDeadline(time.Time{}); err != nil {
		return err
	}
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var buf [16 * unsafe.Sizeof(unix.GPIOV2LineEvent{})]byte
	var failed error
	err = raw.Read(func(fd uintptr) bool {
		for {
			n, err := unix.Read(int(fd), buf[:])
			if n <= 0 || err != nil {
				failed = err
				return true
			}
		}
	})
	if errors.Is(failed, unix.EAGAIN) {
		failed = nil
	}
	return errors.Join(err, failed)
}

// Close frees both lines.
func (g *gpioLines) Close() error { return errors.Join(g.trigger.Close(), g.echo.Close()) }
