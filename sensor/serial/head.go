package serial

import (
	"cmp"
	"context"
	"errors"
	"io"
	"io/fs"
	"time"

	port "go.bug.st/serial"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// Port is a serial line. Read returns 0 bytes and no error when nothing came for
// a while.
type Port interface {
	io.ReadCloser
	ResetInputBuffer() error
}

// readSlice is how long one read of the port waits at most, so that a reading can
// be given up.
const readSlice = 100 * time.Millisecond

// openPort opens a serial device, such as /dev/serial0, at 8 data bits, no
// parity, one stop bit.
func openPort(device string, baud int) (Port, error) {
	p, err := port.Open(device, &port.Mode{BaudRate: baud})
	if err != nil {
		return nil, portFault(device, err)
	}
	if err := p.SetReadTimeout(readSlice); err != nil {
		_ = p.Close() // the error before matters more
		return nil, portFault(device, err)
	}
	return p, nil
}

// portFault words a serial port that cannot be opened.
func portFault(device string, err error) error {
	var p *port.PortError
	_ = errors.As(err, &p) // another error has no code
	switch {
	case errors.Is(err, fs.ErrNotExist), p != nil && p.Code() == port.PortNotFound:
		return sensor.Fault(sensor.Missing, "serial.gone", "device", device)
	case p != nil && p.Code() == port.PermissionDenied:
		return sensor.Fault(sensor.ReadFailed, "permission", "what", device, "group", "dialout")
	case p != nil && p.Code() == port.PortBusy:
		return sensor.Fault(sensor.ReadFailed, "serial.used", "device", device)
	case p != nil && p.Code() == port.InvalidSerialPort:
		return sensor.Fault(sensor.ReadFailed, "serial.no_port", "device", device)
	}
	return sensor.Fault(sensor.ReadFailed, "file.other", "path", device, "error", err)
}

// head is an ultrasonic head that sends its distance over a serial line.
type head struct {
	format string
	open   func() (Port, error)
	port   Port
	held   []byte // the beginning of a frame
}

// framesPerReading is how many frames make one reading.
const framesPerReading = 5

// NewHead reads a head whose port open gives; nil means that of the configuration.
// The port is opened at the first reading, and again after an error. Such heads
// know the speed of sound themselves: only carbon dioxide is corrected for.
func NewHead(open func() (Port, error), conf sensor.Serial, air sensor.Air) *sensor.Driver {
	if open == nil {
		open = func() (Port, error) { return openPort(conf.Device, cmp.Or(conf.Baud, 9600)) }
	}
	conf.Pings = cmp.Or(conf.Pings, framesPerReading)
	h := &head{open: open, format: cmp.Or(conf.Format, FormatFrame)}
	wait := sound.Burst{Conf: conf.Sound, Limits: conf.Limits, Air: air, StepMM: 1}.Of(h.frame)
	return &sensor.Driver{Quantity: sensor.Distance, Shut: h.Close, Measure: func(ctx context.Context) (mm, sd float64, err error) {
		if err := h.begin(); err != nil { // what came before is thrown away
			return 0, 0, err
		}
		return wait(ctx)
	}}
}

// Close closes the port.
func (h *head) Close() error {
	if h.port == nil {
		return nil
	}
	err := h.port.Close()
	h.port = nil
	return err
}

// begin opens the port if need be and forgets old bytes.
func (h *head) begin() error {
	h.held = nil
	if h.port == nil {
		p, err := h.open()
		if err != nil {
			return err
		}
		h.port = p
	}
	if err := h.port.ResetInputBuffer(); err != nil {
		return h.lost(err)
	}
	return nil
}

// lost closes a port that failed; it is opened again at the next reading.
func (h *head) lost(err error) error {
	_ = h.Close() // the error before matters more
	return sensor.Fault(sensor.Missing, "serial.lost", "error", err)
}

// silence is how long a head may say nothing before its ping counts as failed.
const silence = time.Second

// frame waits for the next distance.
func (h *head) frame(ctx context.Context, air sound.Air) (float64, error) {
	waiting, cancel := context.WithTimeout(ctx, silence)
	defer cancel()
	buf := make([]byte, 64)
	bad := 0
	for waiting.Err() == nil {
		mm, rest, wrong := ParseFrames(h.format, h.held)
		bad += wrong
		h.held = rest
		if len(mm) > 0 {
			return h.accept(mm[len(mm)-1], air)
		}
		n, err := h.port.Read(buf)
		if err != nil {
			return 0, h.lost(err)
		}
		h.held = append(h.held, buf[:n]...)
	}
	if bad > 0 {
		return 0, sound.Final(sensor.Fault(sensor.BadData, "serial.frames", "format", h.format))
	}
	return 0, sound.Final(sensor.Fault(sensor.ReadFailed, "serial.silent"))
}

// accept refuses the values by which heads say that they see nothing (0, and
// 9999 and 5000 at the end of their range: from memory) and corrects for carbon
// dioxide.
func (h *head) accept(mm float64, air sound.Air) (float64, error) {
	if mm == 0 || h.format == FormatText && (mm == 9999 || mm == 5000) || mm >= 0xfffd {
		return 0, sensor.Fault(sensor.OutOfRange, "range.code", "code", mm)
	}
	return mm / (1 + air.LongRatio()), nil
}
