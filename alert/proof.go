package alert

import (
	"fmt"
	"time"
)

// Proof says whether the program does its work: sampling, storing and delivering must
// all have moved lately. A missing probe is no lack of progress; a loop that hangs is.
// Heartbeat and watchdog both ask it. A part whose function is nil is not looked at.
type Proof struct {
	Sampled   func() time.Time // when the sampling loop last came round
	Stored    func() time.Time // when the store last took a write or answered a check
	Delivered func() time.Time // when the manager last looked at its notifications
}

// Check returns nil while everything moves, else what stands still and for how long.
func (p *Proof) Check() error {
	now := time.Now()
	for _, part := range []struct {
		name string
		last func() time.Time
		most time.Duration
	}{{"sampling", p.Sampled, time.Minute}, {"storing", p.Stored, 5 * time.Minute}, {"delivering", p.Delivered, time.Minute}} {
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
