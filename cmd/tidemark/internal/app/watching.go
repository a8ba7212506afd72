package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/source"
)

// How long a part may stand still before the watchdog is starved, and before the
// heartbeat is held back. A reading that says a probe is missing is progress.
const (
	stuckAfter  = 45 * time.Second
	silentAfter = time.Minute
	storedAfter = 5 * time.Minute
)

// standsStill adds to err a part of the watch that has stood still for longer than it may.
func standsStill(err error, part string, last time.Time, most time.Duration) error {
	if still := time.Since(last); err == nil && still > most {
		return fmt.Errorf("%s: nothing for %s, expected every %s", part, still.Round(time.Second), most)
	}
	return err
}

// reads reports whether any sensor is read: of a fresh machine and of vessels told by eye
// none is.
func (a *App) reads() bool {
	return slices.ContainsFunc(a.opt.Config.Vessels, func(v config.Vessel) bool { return len(v.Sensors()) > 0 })
}

// sampling is standsStill of the sensors, where any is read.
func (a *App) sampling(err error, most time.Duration) error {
	if !a.reads() {
		return err
	}
	return standsStill(err, "sampling", a.lastReadAt.last(), most)
}

// stuck says whether the watch itself stands still, for the watchdog.
func (a *App) stuck() error {
	return a.sampling(standsStill(nil, "advancing", a.lastAdvanceAt.last(), stuckAfter), stuckAfter)
}

// silent says whether sampling, storing or delivering stands still, for the heartbeat.
func (a *App) silent() error {
	err := a.sampling(standsStill(nil, "delivering", a.manager.Beat(), silentAfter), silentAfter)
	return standsStill(err, "storing", a.opt.Store.Health().LastCommit, storedAfter)
}

// progress is when something moved on last.
type progress struct{ at atomic.Pointer[time.Time] }

// note notes that it moves on now.
func (p *progress) note() {
	now := time.Now()
	p.at.Store(&now)
}

// last returns when it did, with Go's monotonic reading; zero when it never did.
func (p *progress) last() time.Time {
	if at := p.at.Load(); at != nil {
		return *at
	}
	return time.Time{}
}

// How often the history is backed up, and how many backups are kept.
const (
	backupEvery = 24 * time.Hour
	backupsKept = 7
)

// startWatching begins what runs beside: messages always, sensors and the
// advance in a live watch.
func (a *App) startWatching(ctx context.Context) error {
	if a.opt.Listen != "" || a.opt.Live { // replay and the headless demo have no routes and deliver nothing
		a.work.Go(func() { a.manager.Run(ctx) })
	}
	if !a.opt.Live {
		return nil
	}
	buses := source.NewBuses()
	jobs, err := a.openSensors(buses)
	if err != nil {
		return err
	}
	a.lastAdvanceAt.note()
	a.lastReadAt.note()
	a.work.Go(func() {
		sensor.Poll(ctx, jobs) // those of a bus one after the other
		if err := errors.Join(closeSensors(jobs), buses.Close()); err != nil {
			a.log.Warn("a sensor did not close", "error", err)
		}
	})
	a.work.Go(func() { a.advanceInTime(ctx) })
	a.work.Go(func() { a.feedWatchdog(ctx) })
	if a.opt.Backups != "" {
		a.work.Go(func() { a.opt.Store.RunUpkeep(ctx, a.opt.Backups, backupEvery, backupsKept) })
	}
	if url := a.opt.Config.Heartbeat; url != "" {
		beat := channel.NewHeartbeat(alert.Secret(url), a.silent, a.log)
		a.heartbeat.Store(beat)
		a.work.Go(func() { beat.Run(ctx) })
	}
	return nil
}

// advanceInTime advances the App with the real clock.
func (a *App) advanceInTime(ctx context.Context) {
	t := time.NewTicker(a.opt.Config.SampleEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			a.FollowClock(ctx)
			a.Advance(a.opt.Clock.Now())
			a.lastAdvanceAt.note()
		}
	}
}

// breakAfter is how long a live watch may stand still before it counts as a break, in
// which no sensor was asked: it is advanced at least once a minute, and a restart takes
// up to two minutes while the last minute of samples may not be written.
const breakAfter = 3 * time.Minute

// slept takes down that the watch is advanced now and reports whether it was kept from
// it, as by a suspended machine, which asks no sensor. The steps of a clock that is set
// by hand say nothing.
func (a *App) slept(now time.Time) bool {
	_, steady := a.opt.Clock.(*Steady)
	last := a.advanced
	a.advanced = now
	return steady && !last.IsZero() && now.Sub(last) > breakAfter
}

// feedWatchdog feeds the service manager's watchdog, sd_watchdog_enabled(3), three times
// in its interval until ctx ends, while the watch makes progress. The manager ends a
// process that stops feeding and starts it again.
func (a *App) feedWatchdog(ctx context.Context) {
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		a.log.Warn("the watchdog is not fed: check WatchdogSec= in the unit", "error", err)
	}
	if interval == 0 {
		return
	}
	tick := time.NewTicker(interval / 3)
	defer tick.Stop()
	for starved := false; ; {
		stuck := a.stuck()
		if stuck != nil && !starved {
			a.log.Error("the watch stands still; the service manager will start it anew", "stuck", stuck)
		}
		if starved = stuck != nil; !starved {
			_, _ = daemon.SdNotify(false, daemon.SdNotifyWatchdog) // the manager acts on silence
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
