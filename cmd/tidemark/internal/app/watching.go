package app

import (
	"context"
	"errors"
	"time"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/cmd/tidemark/internal/sdnotify"
	"tidemark/sensor/source"
)

// The parts whose progress proves that tidemark watches.
const (
	samplingPart = "sampling"
	advancePart  = "advancing"
)

// stuckAfter is how long a part may stand still before the watchdog is starved.
const stuckAfter = 45 * time.Second

// startWatching begins what runs beside: messages always, sensors and the
// advance in a live watch.
func (a *App) startWatching(ctx context.Context) error {
	a.startTelling(ctx)
	if !a.opt.Live {
		return nil
	}
	shared := source.NewShared()
	feeds, err := a.openFeeds(shared)
	if err != nil {
		return err
	}
	parts := map[string]time.Duration{advancePart: stuckAfter}
	if len(feeds) > 0 { // a fresh machine has nothing to read
		parts[samplingPart] = stuckAfter
	}
	a.pulse = sdnotify.NewPulse(parts)
	a.work.Go(func() {
		a.sense(ctx, feeds)
		if err := errors.Join(closeFeeds(feeds), shared.Close()); err != nil {
			a.log.Warn("a sensor did not close", "error", err)
		}
	})
	a.work.Go(func() { a.advanceInTime(ctx) })
	if url := a.opt.Config.Heartbeat; url != "" {
		beat := channel.NewHeartbeat(alert.Secret(url), 0, a.proof().Check, a.log)
		a.beat.Store(beat)
		a.work.Go(func() { beat.Run(ctx) })
	}
	return nil
}

// proof says whether sampling, storing and delivering all move.
func (a *App) proof() *alert.Proof {
	p := &alert.Proof{Sampled: a.sampled, Delivered: a.outbox.Beat}
	if a.opt.Store != nil {
		p.Stored = func() time.Time { return a.opt.Store.Health().LastCommit }
	}
	return p
}

// sampled is when the last reading was taken in, by the wall clock.
func (a *App) sampled() time.Time { return time.UnixMilli(a.sampledMilli.Load()) }

// advanceInTime advances the App with the real clock.
func (a *App) advanceInTime(ctx context.Context) {
	t := time.NewTicker(a.opt.Config.SampleEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			a.FollowWall(ctx)
			a.Advance(a.opt.Clock.Now())
			a.pulse.Beat(advancePart)
		}
	}
}

// breakAfter is how long a live watch may stand still before it counts as a break, in
// which no sensor was asked: it is advanced at least once a minute, and a restart takes
// up to two minutes while the last minute of samples may not be written.
const breakAfter = 3 * time.Minute

// awakeAt takes down that the watch is advanced now and returns since when it was
// without a break, and whether that was a sleep: a suspended machine asks no sensor, so
// none is lost meanwhile, nor before the start. The steps of a clock that is set by hand
// say nothing.
func (a *App) awakeAt(now time.Time) (since time.Time, slept bool) {
	_, steady := a.opt.Clock.(*Steady)
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	switch {
	case a.advanced.IsZero():
		a.awake = now
	case steady && now.Sub(a.advanced) > breakAfter:
		a.awake, a.slept = now, true
	}
	a.advanced = now
	return a.awake, a.slept
}

// FeedWatchdog feeds the service manager's watchdog while the watch makes
// progress, until ctx ends.
func (a *App) FeedWatchdog(ctx context.Context, n sdnotify.Notifier) {
	err := n.Watch(ctx, a.pulse, func(stuck []string) {
		if len(stuck) > 0 {
			a.log.Error("the watch stands still; the service manager will start it anew", "stuck", stuck)
		}
	})
	if err != nil {
		a.log.Warn("the watchdog is not fed", "error", err)
	}
}
