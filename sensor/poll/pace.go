package poll

import (
	"sync"
	"time"
)

// Pace lets one job be read faster for a while, as when somebody measures a
// vessel. The other jobs of its bus keep their turns. The zero value changes
// nothing; it may be used by several goroutines.
type Pace struct {
	mu    sync.Mutex
	every time.Duration
	wake  func()
}

// Set reads the job every so often from now on; 0 goes back to its own pace.
func (p *Pace) Set(every time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.every = every
	if p.wake != nil {
		p.wake()
	}
}

// attach lets Set wake a bus; wake must not wait for anything.
func (p *Pace) attach(wake func()) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wake = wake
}

// or is the pace that was set, or the job's own.
func (p *Pace) or(own time.Duration) time.Duration {
	if p == nil {
		return own
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.every > 0 {
		return p.every
	}
	return own
}
