package chip

import (
	"context"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// Lines are the two GPIO lines of an HC-SR04.
type Lines interface {
	// Trigger sets the trigger line and returns the kernel's time.
	Trigger(high bool) (at time.Duration, err error)
	// Edge waits for the next change of the echo line until ctx ends. at is the
	// kernel's time, taken at the interrupt.
	Edge(ctx context.Context) (rising bool, at time.Duration, err error)
	Close() error
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

// echoPair is an ultrasonic pair on two GPIO lines.
type echoPair struct {
	open  func() (Lines, error)
	lines Lines
}

// NewHCSR04 reads the pair whose lines open gives; nil means those of the
// configuration. They are opened at the first reading, and again after an error. A burst
// of pings takes about 0.7 s. air may be nil.
func NewHCSR04(open func() (Lines, error), conf sensor.HCSR04, air sensor.Air) *sensor.Driver {
	if open == nil {
		open = func() (Lines, error) { return openLines(conf.Device, *conf.Trigger, *conf.Echo) }
	}
	h := &echoPair{open: open}
	burst := sound.Burst{Conf: conf.Sound, Limits: conf.Limits, Air: air, StepMM: edgeStepMM, Gap: sound.BetweenPings}
	return &sensor.Driver{Quantity: sensor.Distance, Measure: burst.Of(h.ping), Shut: h.Close}
}

// Close gives the lines back to the kernel.
func (h *echoPair) Close() error {
	if h.lines == nil {
		return nil
	}
	err := h.lines.Close()
	h.lines = nil
	return err
}

// ping sends one ping.
func (h *echoPair) ping(ctx context.Context, air sound.Air) (float64, error) {
	if h.lines == nil {
		lines, err := h.open()
		if err != nil {
			return 0, err
		}
		h.lines = lines
	}
	width, err := h.measure(ctx)
	if err != nil && sensor.StatusOf(err) == "" { // the lines themselves failed
		_ = h.Close() // they are opened again at the next ping
		return 0, sensor.Fault(sensor.ReadFailed, "gpio.lines", "error", err)
	}
	if err != nil {
		return 0, err
	}
	return width.Seconds() * air.SpeedMPS() * 1000 / 2, nil
}

// measure returns the width of the echo pulse.
func (h *echoPair) measure(ctx context.Context) (time.Duration, error) {
	if _, err := h.lines.Trigger(true); err != nil {
		return 0, err
	}
	_ = sound.Pause(ctx, triggerPulse) // cut short only when the reading is given up
	fired, err := h.lines.Trigger(false)
	if err != nil {
		return 0, err
	}
	rise, err := h.edge(ctx, true, fired, riseWithin)
	if err != nil {
		return 0, err
	}
	fall, err := h.edge(ctx, false, fired, fallWithin)
	if err != nil {
		return 0, err
	}
	switch width := fall - rise; {
	case width <= 0:
		return 0, sensor.Fault(sensor.BadData, "echo.order")
	case width > longest:
		return 0, sensor.Fault(sensor.OutOfRange, "echo.none", "ms", width.Milliseconds())
	default:
		return width, nil
	}
}

// edge waits for a change in the wanted direction. Changes from before the trigger
// are passed over.
func (h *echoPair) edge(ctx context.Context, wanted bool, fired, within time.Duration) (time.Duration, error) {
	waiting, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		rising, at, err := h.lines.Edge(waiting)
		switch {
		case err != nil && waiting.Err() != nil && wanted:
			return 0, sensor.Fault(sensor.ReadFailed, "echo.trigger")
		case err != nil && waiting.Err() != nil:
			return 0, sensor.Fault(sensor.ReadFailed, "echo.high")
		case err != nil:
			return 0, err
		case rising == wanted && at >= fired:
			return at, nil
		}
	}
}
