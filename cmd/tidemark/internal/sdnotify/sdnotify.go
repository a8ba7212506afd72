// Package sdnotify tells the service manager how the daemon is, by systemd's
// notify protocol (sd_notify(3)), and ties the watchdog to proven progress.
//
// Invariants: nothing is sent when no service manager listens; the watchdog is
// fed only while every part of the daemon's work has moved on within the time
// it was given. A probe that is missing is no lack of progress: trying to read
// and noting that it failed is work done.
//
// The package does not decide what to do about a stuck part. The service manager
// does: it ends the process and starts it again, and the rise is resumed.
package sdnotify

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Notifier speaks to the service manager. The zero value is ready for use.
type Notifier struct{}

// send passes one state on. Nothing listens on a developer's machine: that is
// no error, and a message that cannot be delivered is not worth dying for; the
// manager acts on silence.
func (Notifier) send(state string) error {
	_, err := daemon.SdNotify(false, state)
	return err
}

// Ready says that the page listens and the store is open. status is one line
// for people, shown by systemctl status.
func (n Notifier) Ready(status string) error {
	return n.send(daemon.SdNotifyReady + "\nSTATUS=" + oneLine(status))
}

// Status replaces the line shown by systemctl status.
func (n Notifier) Status(status string) error { return n.send("STATUS=" + oneLine(status)) }

// Stopping says that an orderly end has begun.
func (n Notifier) Stopping() error { return n.send(daemon.SdNotifyStopping) }

// oneLine keeps a status from being read as further fields.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Pulse keeps, for each part of the daemon's work, when it last moved on.
type Pulse struct {
	mu    sync.Mutex
	limit map[string]time.Duration
	last  map[string]time.Time
}

// NewPulse returns a Pulse for the parts named, each with the longest time it
// may go without moving on. All parts count as having moved on just now.
func NewPulse(limits map[string]time.Duration) *Pulse {
	p := &Pulse{limit: limits, last: map[string]time.Time{}}
	for part := range limits {
		p.last[part] = time.Now()
	}
	return p
}

// Beat notes that a part moved on. A part not named to NewPulse is passed over.
func (p *Pulse) Beat(part string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, known := p.limit[part]; known {
		p.last[part] = time.Now()
	}
}

// Stuck names the parts that have not moved on in time, sorted, with how long
// ago they did. It is empty while all is well.
func (p *Pulse) Stuck() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []string
	for part, limit := range p.limit {
		// time.Since reads the monotonic clock: a step of the wall clock is
		// not a stuck part.
		if age := time.Since(p.last[part]); age > limit {
			out = append(out, fmt.Sprintf("%s: nothing for %s, expected every %s", part, age.Round(time.Second), limit))
		}
	}
	sort.Strings(out)
	return out
}

// Watch feeds the watchdog three times in its interval until ctx ends, as long
// as nothing is stuck. report is called once with the stuck parts when feeding
// stops, and once with nil when it goes on again. Without a watchdog in the
// unit it returns at once.
func (n Notifier) Watch(ctx context.Context, p *Pulse, report func(stuck []string)) error {
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return fmt.Errorf("the service manager's watchdog interval is not understood: %w; check WatchdogSec= in the unit", err)
	}
	if interval == 0 {
		return nil
	}
	tick := time.NewTicker(interval / 3)
	defer tick.Stop()
	silent := false
	for {
		stuck := p.Stuck()
		if (len(stuck) > 0) != silent {
			silent = !silent
			report(stuck)
		}
		if !silent {
			_ = n.send(daemon.SdNotifyWatchdog)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
