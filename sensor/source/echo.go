package source

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strconv"
	"time"

	"go.bug.st/serial"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// Assumptions where nothing is measured: a kitchen, and the damp air over dough.
const (
	kitchenC     = 22.0
	kitchenHumid = 0.7
)

// betweenPings is the least time between two pings (HC-SR04 user guide), usualPings how
// many make one reading, and hopeless how many that fail in a row, not for what is
// there, end it early.
const (
	betweenPings = 60 * time.Millisecond
	usualPings   = 11
	hopeless     = 3
)

// scatterLimit is how far in mm a ping may lie from the median, and the spread of
// the burst (scaled median deviation) that makes its pings contradict each other:
// some come from the rim or a wall. Two thirds must agree. Common practice, no
// source.
const scatterLimit = 12.0

// burst makes readings of bursts of pings.
type burst struct {
	conf   sensor.Sound
	limits sensor.Limits
	known  sensor.Air              // what is measured of the air; may be nil
	stepMM float64                 // between two possible distances
	gap    time.Duration           // from ping to ping
	ping   func() (float64, error) // sends one and returns the distance, mm
}

// air returns what the sound travels through, as far as known.
func (b *burst) air() sound.Air {
	a := sound.Air{Celsius: cmp.Or(b.conf.AirC, kitchenC), Humidity: kitchenHumid, CO2: b.conf.CO2Ratio}
	if b.known == nil {
		return a
	}
	if c, h, ok := b.known(); ok {
		a.Celsius = c
		if h >= 0 && h <= 1 {
			a.Humidity = h
		}
	}
	return a
}

// measure sends the pings of one reading, or fewer when further ones make no sense, and
// sums them up. Of the pings' faults the one is told that says most: any says more than
// nothing in range.
func (b *burst) measure(ctx context.Context) (mm, sd float64, err error) {
	asked := cmp.Or(b.conf.Pings, usualPings)
	var good []float64
	var worst error
	for sent, failed := 0, 0; sent < asked && failed < hopeless && ctx.Err() == nil && sensor.StatusOf(worst) != sensor.Missing; sent++ {
		if sent > 0 {
			time.Sleep(b.gap)
		}
		one, err := b.ping()
		switch status := sensor.StatusOf(err); {
		case err == nil:
			good, failed = append(good, one), 0
			continue
		case status != sensor.OutOfRange:
			failed++
		}
		if worst == nil || sensor.StatusOf(worst) == sensor.OutOfRange || sensor.StatusOf(err) == sensor.Missing {
			worst = err
		}
	}
	if len(good) == 0 && worst != nil {
		return 0, 0, worst
	}
	if mm, sd, err = sumUp(good, asked, b.stepMM); err == nil {
		mm, err = b.limits.Apply(mm, sensor.ChipReach("srf04"))
	}
	return mm, sd, err
}

// sumUp sums up the distances (mm) of a burst of pings of which asked were wanted:
// their median, and its standard deviation, which is never below that of the step
// stepMM between two possible distances. It is a fault when fewer than half of the
// pings were answered or when they contradict each other.
func sumUp(mm []float64, asked int, stepMM float64) (median, sd float64, err error) {
	if len(mm) == 0 || 2*len(mm) < asked {
		return 0, 0, sensor.Fault(sensor.Unreliable, "pings.few", "count", len(mm), "asked", asked)
	}
	median, spread, sd := sensor.Summary(mm, stepMM)
	agree := 0
	for _, v := range mm {
		if math.Abs(v-median) <= scatterLimit {
			agree++
		}
	}
	if spread > scatterLimit || 3*agree < 2*len(mm) {
		return 0, 0, sensor.Fault(sensor.Unreliable, "pings.contradict", "low", slices.Min(mm), "high", slices.Max(mm))
	}
	return median, sd, nil
}

// lines are the two GPIO lines of an HC-SR04.
type lines interface {
	// trigger sets the trigger line and returns the kernel's time.
	trigger(high bool) (at time.Duration, err error)
	// edge waits for the next change of the echo line, and for no longer than until. at
	// is the kernel's time, taken at the interrupt.
	edge(until time.Time) (rising bool, at time.Duration, err error)
	io.Closer
}

// Timing of the HC-SR04 (user guide): the echo line rises soon after the burst;
// a pulse longer than longest means that no echo came back. The trigger must
// last 10 us at least.
const (
	triggerPulse = 20 * time.Microsecond
	riseWithin   = 20 * time.Millisecond
	fallWithin   = 60 * time.Millisecond
	longest      = 25 * time.Millisecond
)

// edgeStepMM is the doubt of one distance from the resolution of interrupts, about
// 10 us. Common practice, no source.
const edgeStepMM = 1.7

// pair is an ultrasonic pair on two GPIO lines.
type pair struct {
	lines
	fired time.Duration
}

// newHCSR04 reads a pair. A burst of pings takes about 0.7 s. air may be nil.
func newHCSR04(buses *Buses, conf sensor.HCSR04, air sensor.Air) *sensor.Driver {
	h := &pair{}
	b := burst{conf: conf.Sound, limits: conf.Limits, known: air, stepMM: edgeStepMM, gap: betweenPings}
	b.ping = func() (mm float64, err error) {
		width, err := h.width()
		if err != nil && sensor.StatusOf(err) == "" { // the lines themselves failed
			err = sensor.Fault(sensor.ReadFailed, "gpio.lines", "error", err)
		}
		return width.Seconds() * b.air().SpeedMPS() * 1000 / 2, err
	}
	return &sensor.Driver{Measure: b.measure, Shut: func() error { return h.Close() },
		Open: func(context.Context) (err error) {
			h.lines, err = buses.openLines(conf.Device, *conf.Trigger, *conf.Echo)
			return err
		}}
}

// width sends a ping and returns the width of the echo pulse.
func (h *pair) width() (time.Duration, error) {
	if _, err := h.trigger(true); err != nil {
		return 0, err
	}
	time.Sleep(triggerPulse)
	var err error
	if h.fired, err = h.trigger(false); err != nil {
		return 0, err
	}
	rise, err := h.await(true, riseWithin, sensor.Fault(sensor.ReadFailed, "echo.trigger"))
	if err != nil {
		return 0, err
	}
	fall, err := h.await(false, fallWithin, sensor.Fault(sensor.ReadFailed, "echo.high"))
	switch width := fall - rise; {
	case err != nil:
		return 0, err
	case width <= 0:
		return 0, sensor.Fault(sensor.BadData, "echo.order")
	case width > longest:
		return 0, sensor.Fault(sensor.OutOfRange, "echo.none", "ms", width.Milliseconds())
	default:
		return width, nil
	}
}

// await waits for a change in the wanted direction; late is the fault when none comes.
// Changes from before the trigger are passed over.
func (h *pair) await(wanted bool, within time.Duration, late error) (time.Duration, error) {
	until := time.Now().Add(within)
	for {
		rising, at, err := h.edge(until)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return 0, late
		case err != nil:
			return 0, err
		case rising == wanted && at >= h.fired:
			return at, nil
		}
	}
}

// port is a serial line. Read returns 0 bytes and no error when nothing came for
// a while.
type port interface {
	io.ReadCloser
	ResetInputBuffer() error
}

// readSlice is how long one read of a port waits at most, and silence how long a head
// may say nothing before its ping counts as failed.
const (
	readSlice = 100 * time.Millisecond
	silence   = time.Second
)

// openPort opens a serial device, such as /dev/serial0, at 8 data bits, no
// parity, one stop bit.
func openPort(device string, baud int) (port, error) {
	p, err := serial.Open(device, &serial.Mode{BaudRate: baud})
	if err == nil {
		err = p.SetReadTimeout(readSlice)
	}
	if err == nil {
		return p, nil
	}
	if p != nil {
		_ = p.Close() // the error before matters more
	}
	var known *serial.PortError
	if errors.As(err, &known) {
		switch known.Code() {
		case serial.PortNotFound:
			err = fs.ErrNotExist
		case serial.PermissionDenied:
			err = fs.ErrPermission
		case serial.PortBusy:
			return nil, sensor.Fault(sensor.ReadFailed, "serial.used", "device", device)
		case serial.InvalidSerialPort:
			return nil, sensor.Fault(sensor.ReadFailed, "serial.no_port", "device", device)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, sensor.Fault(sensor.Missing, "serial.gone", "device", device)
	}
	return nil, fileFault(device, "dialout", err)
}

// head is an ultrasonic head that sends its distance over a serial line.
type head struct {
	port
	format string
	held   []byte // received and not looked at
}

// The formats of heads.
const (
	formatFrame = "frame" // FF, high byte, low byte, sum of the three, in mm
	formatText  = "text"  // R and the distance in mm in digits, ended by a carriage return
)

// framesPerReading is how many frames of a head make one reading.
const framesPerReading = 5

// newHead reads a head. Such heads know the speed of sound themselves: only carbon
// dioxide is corrected for.
func newHead(buses *Buses, conf sensor.Serial, air sensor.Air) *sensor.Driver {
	h := &head{format: cmp.Or(conf.Format, formatFrame)}
	conf.Pings = cmp.Or(conf.Pings, framesPerReading)
	b := burst{conf: conf.Sound, limits: conf.Limits, known: air, stepMM: 1}
	b.ping = func() (float64, error) {
		mm, err := h.frame()
		return mm / (1 + b.air().LongRatio()), err
	}
	return &sensor.Driver{Shut: func() error { return h.Close() },
		Open: func(context.Context) (err error) {
			h.port, err = buses.openPort(conf.Device, cmp.Or(conf.Baud, 9600))
			return err
		},
		Measure: func(ctx context.Context) (mm, sd float64, err error) {
			h.held = nil // from before this reading
			if err := h.ResetInputBuffer(); err != nil {
				return 0, 0, sensor.Fault(sensor.Missing, "serial.lost", "error", err)
			}
			return b.measure(ctx)
		}}
}

// frame waits for the next distance. It refuses the values by which heads say that they
// see nothing (0, and 9999 and 5000 at the end of their range: from memory).
func (h *head) frame() (float64, error) {
	fault := sensor.Fault(sensor.ReadFailed, "serial.silent")
	buf := make([]byte, 64)
	for until := time.Now().Add(silence); time.Now().Before(until); {
		for len(h.held) > 0 {
			mm, used, ok := nextFrame(h.format, h.held)
			if used == 0 {
				break
			}
			h.held = h.held[used:]
			switch {
			case !ok:
				fault = sensor.Fault(sensor.BadData, "serial.frames", "format", h.format)
			case mm == 0, h.format == formatText && (mm == 9999 || mm == 5000), mm >= 0xfffd:
				return 0, sensor.Fault(sensor.OutOfRange, "range.code", "code", mm)
			default:
				return mm, nil
			}
		}
		n, err := h.Read(buf)
		if err != nil {
			return 0, sensor.Fault(sensor.Missing, "serial.lost", "error", err)
		}
		h.held = append(h.held, buf[:n]...)
	}
	return 0, fault
}

// longestLine is the longest line of the text format, in bytes.
const longestLine = 16

// nextFrame takes the next frame with its distance in mm off bytes received, or bytes
// that are none. used is 0 when more bytes are needed.
func nextFrame(format string, in []byte) (mm float64, used int, ok bool) {
	if format == formatText {
		end := bytes.IndexAny(in, "\r\n")
		switch {
		case end < 0 && len(in) > longestLine:
			return 0, len(in), false
		case end < 0:
			return 0, 0, false
		case end < 4 || end > 6 || in[0] != 'R':
			return 0, end + 1, false
		}
		n, err := strconv.ParseUint(string(in[1:end]), 10, 16)
		return float64(n), end + 1, err == nil
	}
	switch {
	case in[0] != 0xff:
		return 0, 1, false
	case len(in) < 4:
		return 0, 0, false
	case in[0]+in[1]+in[2] != in[3]:
		return 0, 1, false // the FF may have been a data byte: look on behind it
	}
	return float64(int(in[1])<<8 | int(in[2])), 4, true
}
