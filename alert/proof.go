package alert

import (
	"fmt"
	"time"
)

// Proof says whether the program does its work: sampling, storing and
// delivering must all have moved lately. A missing probe is no lack of progress;
// a loop that hangs is. Heartbeat and watchdog both ask it.
type Proof struct {
	Clock    Clock            // nil: the wall clock
	Sampled  func() time.Time // when the sampling loop last came round
	Stored   func() time.Time // when the store last took a write or answered a check
	Progress func() Progress  // of the Outbox

	MaxSample  time.Duration // default 1 min
	MaxStore   time.Duration // default 5 min
	MaxDeliver time.Duration // default 1 min: how old the last look at the notifications may be
}

// Check returns nil while everything moves, else what stands still and since
// when. A part whose function is nil is not looked at.
func (p *Proof) Check() error {
	clock := p.Clock
	if clock == nil {
		clock = WallClock{}
	}
	now := clock.Now()
	for _, part := range []struct {
		name string
		last func() time.Time
		most time.Duration
	}{
		{"sampling", p.Sampled, orSpan(p.MaxSample, time.Minute)},
		{"storing", p.Stored, orSpan(p.MaxStore, 5*time.Minute)},
		{"delivering", p.beat(), orSpan(p.MaxDeliver, time.Minute)},
	} {
		if part.last == nil {
			continue
		}
		last := part.last()
		if last.IsZero() {
			return fmt.Errorf("%s has not begun", part.name)
		}
		if still := now.Sub(last); still > part.most {
			return fmt.Errorf("%s stands still for %s; more than %s is too long", part.name, still.Round(time.Second), part.most)
		}
	}
	return nil
}

// beat returns when the Outbox last looked at its notifications.
func (p *Proof) beat() func() time.Time {
	if p.Progress == nil {
		return nil
	}
	return func() time.Time { return p.Progress().Beat }
}

// orSpan returns d, or def when d is not positive.
func orSpan(d, def time.Duration) time.Duration {
	if d <= 0 {
		return def
	}
	return d
}
