package app

import (
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Clock tells the pipeline the time. It never runs back between two Steps.
type Clock interface {
	Now() time.Time
}

// Steady is the live clock. It starts at the wall time and then counts the
// kernel's boot clock, which goes on during suspend and is never stepped. When
// the wall clock turns out to be elsewhere (no real-time clock, first network
// time), skew says by how much and Step moves the whole timeline.
type Steady struct {
	mu    sync.Mutex
	wall0 time.Time
	boot0 time.Duration
	wall  func() time.Time
	boot  func() time.Duration
}

// NewSteady starts a steady clock at the present wall time.
func NewSteady() *Steady { return NewSteadyOf(time.Now, bootTime) }

// NewSteadyOf starts a steady clock on the clocks of another machine: wall may be
// set at any time, boot counts from its start and never runs back.
func NewSteadyOf(wall func() time.Time, boot func() time.Duration) *Steady {
	return &Steady{wall0: wall().Round(0), boot0: boot(), wall: wall, boot: boot}
}

// Now returns the steady time.
func (s *Steady) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wall0.Add(s.boot() - s.boot0)
}

// Wall returns the wall time, without Go's own monotonic reading.
func (s *Steady) Wall() time.Time { return s.wall().Round(0) }

// skew returns how far the wall clock is ahead of the steady clock.
func (s *Steady) skew() time.Duration {
	now := s.Now()
	return s.Wall().Sub(now)
}

// Step moves the timeline.
func (s *Steady) Step(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wall0 = s.wall0.Add(d)
}

// bootTime reads the kernel's boot clock; where there is none, Go's monotonic
// clock serves.
func bootTime() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return time.Since(time.Unix(0, 0)) // cannot happen on Linux
	}
	return time.Duration(ts.Nano())
}

// Stepped is a clock that is set by hand: replay and the headless demo.
type Stepped struct {
	mu  sync.Mutex
	now time.Time
}

// Now returns the time last set.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Set moves the clock forward; a time in its past is ignored.
func (s *Stepped) Set(t time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if t.After(s.now) {
		s.now = t
	}
}
