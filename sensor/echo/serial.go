package echo

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"time"

	"go.bug.st/serial"

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

// OpenPort opens a serial device, such as /dev/serial0, at 8 data bits, no
// parity, one stop bit.
func OpenPort(device string, baud int) (Port, error) {
	p, err := serial.Open(device, &serial.Mode{BaudRate: baud})
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
	var p *serial.PortError
	if errors.As(err, &p) {
		switch p.Code() {
		case serial.PortNotFound:
			return sensor.Faultf(sensor.Missing, "%s is not there; is the adapter plugged in and the serial port switched on?", device)
		case serial.PermissionDenied:
			return sensor.Faultf(sensor.ReadFailed, "no permission to open %s; add the user to the group dialout", device)
		case serial.PortBusy:
			return sensor.Faultf(sensor.ReadFailed, "%s is in use by another program (a login console?)", device)
		case serial.InvalidSerialPort:
			return sensor.Faultf(sensor.ReadFailed, "%s is not a serial port", device)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return sensor.Faultf(sensor.Missing, "%s is not there; is the adapter plugged in and the serial port switched on?", device)
	}
	return sensor.Faultf(sensor.ReadFailed, "%s: %v", device, err)
}

// Serial is an ultrasonic head that sends its distance over a serial line.
type Serial struct {
	opt    Options
	format string
	open   func() (Port, error)
	turn   sensor.Turn
	port   Port
	held   []byte // the beginning of a frame
}

// NewSerial reads a head whose port open gives, in FormatFrame or FormatText.
// The port is opened at the first reading, and anew after an error. Such heads
// know the speed of sound themselves: only carbon dioxide is corrected for.
func NewSerial(open func() (Port, error), format string, opt Options) *Serial {
	if format == "" {
		format = FormatFrame
	}
	if opt.Pings == 0 {
		opt.Pings = 5
	}
	return &Serial{opt: opt, format: format, open: open, turn: sensor.NewTurn()}
}

// Read throws away what came before and waits for as many frames as Options.Pings
// says.
func (s *Serial) Read(ctx context.Context) sensor.Reading {
	r := s.opt.Clock.Stamp(sensor.Distance)
	err := s.turn.Do(ctx, func() error {
		if err := s.begin(); err != nil {
			return err
		}
		r = s.opt.burst(ctx, s.frame, 0, 1)
		return nil
	})
	if err != nil {
		return s.opt.Clock.Stamp(sensor.Distance).Failed(err)
	}
	return r
}

// Close closes the port. It waits for a reading that is under way.
func (s *Serial) Close() error { return s.turn.Last(s.release) }

// release closes the port.
func (s *Serial) release() error {
	if s.port == nil {
		return nil
	}
	err := s.port.Close()
	s.port = nil
	return err
}

// begin opens the port if need be and forgets old bytes.
func (s *Serial) begin() error {
	s.held = nil
	if s.port == nil {
		p, err := s.open()
		if err != nil {
			return err
		}
		s.port = p
	}
	if err := s.port.ResetInputBuffer(); err != nil {
		return s.lost(err)
	}
	return nil
}

// lost closes a port that failed; it is opened anew at the next reading.
func (s *Serial) lost(err error) error {
	_ = s.release() // the error before matters more
	return sensor.Faultf(sensor.Missing, "the serial line is gone (%v); is the adapter still plugged in?", err)
}

// silence is how long a head may say nothing before its ping counts as failed.
const silence = time.Second

// frame waits for the next distance.
func (s *Serial) frame(ctx context.Context, air sound.Air) (float64, error) {
	waiting, cancel := context.WithTimeout(ctx, silence)
	defer cancel()
	buf := make([]byte, 64)
	bad := 0
	for waiting.Err() == nil {
		mm, rest, wrong := ParseFrames(s.format, s.held)
		bad += wrong
		s.held = rest
		if len(mm) > 0 {
			return s.accept(mm[len(mm)-1], air)
		}
		n, err := s.port.Read(buf)
		if err != nil {
			return 0, s.lost(err)
		}
		s.held = append(s.held, buf[:n]...)
	}
	if bad > 0 {
		return 0, final{sensor.Faultf(sensor.BadData, "bytes arrive but no frame of the format %s; check format and baud", s.format)}
	}
	return 0, final{sensor.Faultf(sensor.ReadFailed, "the head sends nothing; check its supply and the line from its TX to our RX")}
}

// accept refuses the values by which heads say that they see nothing (0, and
// 9999 and 5000 at the end of their range: from memory) and corrects for carbon
// dioxide.
func (s *Serial) accept(mm float64, air sound.Air) (float64, error) {
	if mm == 0 || s.format == FormatText && (mm == 9999 || mm == 5000) || mm >= 0xfffd {
		return 0, sensor.Faultf(sensor.OutOfRange, "nothing in range (the head gives its code %.0f)", mm)
	}
	return mm / (1 + air.LongRatio()), nil
}
