package poll

import (
	"context"
	"sync"
	"time"
)

// Awaited is a Patient source that says when there is something to read. Where it is
// alone on its bus, no goroutine waits for it.
type Awaited interface {
	Patient
	// Await has ring called once, by a goroutine of its own, when Read would return
	// at once, and gives how long Read would wait at most. At 0 it would not wait,
	// and ring is not called. A later call takes the place of an earlier one; with
	// nil nobody is called any more.
	Await(ring func()) time.Duration
}

// solo is the job of an Awaited source. Only a reading that is there takes a
// goroutine, for as long as it is handed on.
type solo struct {
	*worker
	ctx    context.Context
	source Awaited

	mu     sync.Mutex // held for each step
	timer  *time.Timer
	waits  bool // the reading began, but there is none yet
	missed uint64
}

// begin starts the steps.
func (s *solo) begin() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.timer = time.AfterFunc(0, s.step)
	s.Pace.attach(func() { go s.hurried() })
}

// step goes on when the reading is due, when there is one, or when it must end. A
// step too many does no harm.
func (s *solo) step() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ctx.Err() != nil {
		return
	}
	if !s.waits {
		if left := time.Until(s.due); left > 0 {
			s.timer.Reset(left)
			return
		}
		s.waits, s.missed = true, s.start()
		if left := s.source.Await(s.step); left > 0 {
			s.timer.Reset(min(left, s.Timeout))
			return
		}
	}
	s.waits = false
	if s.finish(s.ctx, s.read(s.ctx), s.missed) {
		s.timer.Reset(time.Until(s.due))
	}
}

// hurried goes on when the pace was changed.
func (s *solo) hurried() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ctx.Err() == nil && !s.waits {
		s.hurry()
		s.timer.Reset(time.Until(s.due))
	}
}

// end waits for the step under way; there is none after it.
func (s *solo) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.timer.Stop()
	s.source.Await(nil)
}
