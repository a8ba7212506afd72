package sensortest

import (
	"context"
	"errors"
	"sync"
	"time"

	"tidemark/sensor/serial"
)

// errUnplugged is what a device that was pulled out reports.
var errUnplugged = errors.New("no such device")

// HCSR04 is an ultrasonic pair on two lines (timing: HC-SR04 user guide).
type HCSR04 struct {
	mu         sync.Mutex
	DistanceMM float64
	SpeedMPS   float64        // of sound on its way
	Noise      func() float64 // added to each distance, mm; nil = none

	// Faults.
	Dead      bool // no answer to the trigger
	NoEcho    bool // pulse of 38 ms
	StuckHigh bool // pulse without end
	Swapped   bool // edges out of order
	Broken    bool // the lines themselves fail

	Pings       int
	ShortPulses int // triggers under 10 us
	TooSoon     int // triggers within 60 ms of the last
	Closed      int

	high    time.Time
	last    time.Time
	pending []edgeAt
}

// edgeAt is an edge to come.
type edgeAt struct {
	at     time.Time
	rising bool
}

// Trigger sets the trigger line; its fall starts a ping.
func (h *HCSR04) Trigger(high bool) (time.Duration, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := time.Now()
	at := time.Duration(now.UnixNano())
	switch {
	case h.Broken:
		return 0, errUnplugged
	case high:
		h.high = now
		return at, nil
	case now.Sub(h.high) < 10*time.Microsecond:
		h.ShortPulses++
		return at, nil
	case !h.last.IsZero() && now.Sub(h.last) < 60*time.Millisecond:
		h.TooSoon++
	}
	h.last = now
	h.Pings++
	h.answer(now)
	return at, nil
}

// answer plans the edges of the echo line.
func (h *HCSR04) answer(now time.Time) {
	mm := h.DistanceMM
	if h.Noise != nil {
		mm += h.Noise()
	}
	width := time.Duration(2 * mm / 1000 / h.SpeedMPS * float64(time.Second))
	if h.NoEcho {
		width = 38 * time.Millisecond
	}
	rise := now.Add(450 * time.Microsecond)
	switch {
	case h.Dead:
		h.pending = nil
	case h.StuckHigh:
		h.pending = []edgeAt{{rise, true}}
	case h.Swapped:
		h.pending = []edgeAt{{rise.Add(width), true}, {rise, false}}
	default:
		h.pending = []edgeAt{{rise, true}, {rise.Add(width), false}}
	}
}

// Edge waits for the next edge.
func (h *HCSR04) Edge(ctx context.Context) (rising bool, at time.Duration, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.Broken {
		return false, 0, errUnplugged
	}
	if len(h.pending) == 0 {
		<-ctx.Done()
		return false, 0, ctx.Err()
	}
	next := h.pending[0]
	h.pending = h.pending[1:]
	timer := time.NewTimer(time.Until(next.at))
	defer timer.Stop()
	select {
	case <-timer.C:
		return next.rising, time.Duration(next.at.UnixNano()), nil
	case <-ctx.Done():
		return false, 0, ctx.Err()
	}
}

// Close counts how often the lines were given back.
func (h *HCSR04) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.Closed++
	return nil
}

// SerialHead is an ultrasonic head that sends a frame every tenth of a second.
type SerialHead struct {
	mu     sync.Mutex
	MM     uint16
	Text   bool   // R0123 instead of binary frames
	Old    []byte // bytes from before, thrown away by ResetInputBuffer
	Silent bool
	BadSum bool
	Noise  []byte // sent before each frame
	Gone   bool   // pulled out
}

// Open gives the port.
func (s *SerialHead) Open() (serial.Port, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Gone {
		return nil, errUnplugged
	}
	return s, nil
}

// ResetInputBuffer forgets old bytes.
func (s *SerialHead) ResetInputBuffer() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Gone {
		return errUnplugged
	}
	s.Old = nil
	return nil
}

// Read waits for the next frame.
func (s *SerialHead) Read(p []byte) (int, error) {
	time.Sleep(100 * time.Millisecond)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.Gone:
		return 0, errUnplugged
	case s.Silent:
		return 0, nil
	}
	out := append(append(s.Old, s.Noise...), s.frame()...)
	s.Old = nil
	return copy(p, out), nil
}

// frame is one frame.
func (s *SerialHead) frame() []byte {
	hi, lo := byte(s.MM>>8), byte(s.MM)
	sum := 0xff + hi + lo
	if s.BadSum {
		sum++
	}
	if !s.Text {
		return []byte{0xff, hi, lo, sum}
	}
	text := []byte("R0000\r")
	for i, n := 4, s.MM; i > 0; i, n = i-1, n/10 {
		text[i] = '0' + byte(n%10)
	}
	return text
}

// Close does nothing.
func (s *SerialHead) Close() error { return nil }
