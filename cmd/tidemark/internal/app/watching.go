package app

import (
	"context"
	"time"

	"tidemark/cmd/tidemark/internal/sdnotify"
)

// The parts whose progress proves that tidemark watches.
const (
	samplingPart = "sampling"
	advancePart  = "advancing"
)

// stuckAfter is how long a part may stand still before the watchdog is starved.
const stuckAfter = 45 * time.Second

// startWatching begins what runs beside in a live watch: sensors, the advance,
// the messages, the watchdog.
func (a *App) startWatching(ctx context.Context) error {
	if !a.opt.Live {
		return nil
	}
	feeds, err := a.openFeeds()
	if err != nil {
		return err
	}
	a.pulse = sdnotify.NewPulse(map[string]time.Duration{samplingPart: stuckAfter, advancePart: stuckAfter})
	a.sense(ctx, feeds)
	a.work.Go(func() { a.advanceInTime(ctx) })
	a.work.Go(func() {
		<-ctx.Done()
		if err := closeFeeds(feeds); err != nil {
			a.log.Warn("a sensor did not close", "error", err)
		}
	})
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
			a.followWall(ctx)
			a.Advance(a.opt.Clock.Now())
			a.pulse.Beat(advancePart)
		}
	}
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
