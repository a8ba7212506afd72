package app

import (
	"context"
	"time"
)

// skewAllowed is how far the wall clock may drift from the steady clock before
// the timeline follows it.
const skewAllowed = 2 * time.Second

// followWall moves the whole timeline when the wall clock turns out to be
// elsewhere: set from the network after a start in the past, or corrected by
// hand. Intervals stay as they are, so no curve bends and no hold time runs out.
func (a *App) followWall(ctx context.Context) {
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	skew := steady.Skew()
	if skew.Abs() <= skewAllowed {
		return
	}
	before := steady.Now()
	if skew.Abs() > time.Minute {
		a.log.Warn("the clock was set; the rises under way move with it", "by", skew.Round(time.Second).String())
	}
	for _, p := range a.pipes {
		p.mu.Lock()
	}
	steady.Shift(skew)
	for _, p := range a.pipes {
		p.shift(skew)
		p.mu.Unlock()
	}
	if a.opt.Store == nil {
		return
	}
	for _, p := range a.pipes {
		if p.rise.ID == 0 {
			continue
		}
		if err := a.opt.Store.ShiftTimes(ctx, p.rise.ID, before.Add(time.Second), skew); err != nil {
			a.log.Warn("the stored times of a rise could not follow the clock", "vessel", p.vessel.Name, "error", err)
		}
	}
}

// shift moves everything the pipe knows in time.
func (p *pipe) shift(d time.Duration) {
	p.est.Shift(d)
	p.watch.Shift(d)
	for _, t := range []*time.Time{&p.rise.StartedAt, &p.rise.ReachedAt, &p.rise.PeakAt, &p.rise.PhaseSince, &p.lastRow, &p.last.Time, &p.last.Started} {
		if !t.IsZero() {
			*t = t.Add(d)
		}
	}
	for r, t := range p.latest {
		t.at = t.at.Add(d)
		p.latest[r] = t
	}
}
