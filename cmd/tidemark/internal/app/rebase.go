package app

import (
	"context"
	"time"

	"tidemark/bake"
)

// skewAllowed is how far the wall clock may drift from the steady clock before
// the timeline follows it.
const skewAllowed = 2 * time.Second

// settlesWithin is how long after a start the wall clock is expected to be set
// from the network, where nothing says that it was.
const settlesWithin = 10 * time.Minute

// startClock begins the timeline. It never begins before the last sign of life
// of the run before: a machine without a clock of its own starts in the past.
func (a *App) startClock() {
	a.began = a.opt.Clock.Now()
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	a.doubted = !clockSet(a.timesync, steady.Wall())
	if a.opt.Store == nil {
		return
	}
	a.notBefore = a.opt.Store.Opened().LastWrite.Round(0)
	if behind := a.notBefore.Sub(a.began); behind > 0 {
		a.log.Warn("the clock stands before the end of the last run; time goes on from there until it is set",
			"clock", a.began.Format(time.RFC3339), "last_run", a.notBefore.Format(time.RFC3339))
		steady.Shift(behind)
		a.doubted, a.began = true, steady.Now()
	}
}

// believed says whether a wall time can be true: it lies after what the last
// run saw, or the system says that it was set from the network.
func (a *App) believed(wall time.Time) bool {
	return !wall.Before(a.notBefore) || setFromNetwork(a.timesync)
}

// followWall moves the whole timeline when the wall clock turns out to be
// elsewhere: set from the network after a start in the past, or corrected by
// hand. Intervals stay as they are, so no curve bends and no hold time runs out.
func (a *App) followWall(ctx context.Context) {
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	skew := steady.Skew()
	if skew.Abs() <= skewAllowed || !a.believed(steady.Wall()) {
		return
	}
	if skew.Abs() > time.Minute {
		a.log.Warn("the clock was set; the rises under way move with it", "by", skew.Round(time.Second).String())
	}
	for _, name := range a.order { // nothing is read or stored while the timeline moves
		p := a.pipes[name]
		p.mu.Lock()
		defer p.mu.Unlock()
	}
	j := jump{by: skew, before: steady.Now().Add(time.Second), began: a.began}
	late := a.doubted || j.before.Sub(a.began) < settlesWithin
	steady.Shift(skew)
	for _, name := range a.order {
		a.rebase(ctx, a.pipes[name], j, late)
	}
	a.doubted = false
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	a.began = a.began.Add(skew)
	if late && !a.unwatched.IsZero() {
		a.unwatched.Until = a.unwatched.Until.Add(skew)
	}
}

// jump is one setting of the clock, in the times before it.
type jump struct {
	by            time.Duration
	began, before time.Time // this run's times lie between
}

// rebase moves one vessel. A rise that an earlier run began keeps its times
// from that run when only this run's clock was late.
func (a *App) rebase(ctx context.Context, p *pipe, j jump, late bool) {
	resumed := p.rise.ID != 0 && p.rise.StartedAt.Before(j.began)
	if resumed && late && j.by > 0 && a.opt.Store != nil {
		err := a.rebaseSince(ctx, p, j)
		if err == nil {
			return
		}
		a.log.Warn("a rise could not be kept apart from the late clock; it moves whole",
			"vessel", p.vessel.Name, "rise", p.rise.ID, "error", err)
	}
	p.shift(j.by)
	if p.rise.ID == 0 || a.opt.Store == nil {
		return
	}
	if err := a.opt.Store.ShiftTimes(ctx, p.rise.ID, j.before, j.by); err != nil {
		a.log.Warn("the stored times of a rise could not follow the clock",
			"vessel", p.vessel.Name, "rise", p.rise.ID, "error", err)
	}
	if p.process != nil {
		p.keep.process(p.processRise, *p.process)
	}
}

// rebaseSince moves what this run stored and builds the rise anew from it. The
// store moves all before a moment: all go forth, then the earlier ones back.
func (a *App) rebaseSince(ctx context.Context, p *pipe, j jump) error {
	store, id := a.opt.Store, p.rise.ID
	if err := store.ShiftTimes(ctx, id, j.before, j.by); err != nil {
		return err
	}
	if err := store.ShiftTimes(ctx, id, j.began.Add(j.by), -j.by); err != nil {
		return err
	}
	p.watch.Shift(j.by)
	p.shiftReadings(j.by)
	r := p.rise
	for _, t := range []*time.Time{&r.ReachedAt, &r.PeakAt, &r.PhaseSince} {
		moveSince(t, j)
	}
	acts, err := store.Acts(ctx, id)
	if err != nil {
		return err
	}
	p.deeds = deedsOf(acts)
	return p.rebuild(ctx, store, r, undone(acts), a.opt.Clock.Now())
}

// moveSince moves a time of this run.
func moveSince(t *time.Time, j jump) {
	if !t.Before(j.began) {
		*t = t.Add(j.by)
	}
}

// shift moves everything the pipe knows in time.
func (p *pipe) shift(d time.Duration) {
	p.est.Shift(d)
	p.watch.Shift(d)
	p.shiftReadings(d)
	for _, t := range []*time.Time{&p.rise.StartedAt, &p.rise.ReachedAt, &p.rise.PeakAt, &p.rise.PhaseSince, &p.lastRow, &p.last.Time, &p.last.Started} {
		move(t, d)
	}
	for i := range p.deeds {
		move(&p.deeds[i].At, d)
	}
	if p.process != nil {
		shiftProcess(p.process, d)
	}
}

// shiftReadings moves the moments of the latest readings.
func (p *pipe) shiftReadings(d time.Duration) {
	for r, t := range p.latest {
		move(&t.at, d)
		p.latest[r] = t
	}
}

// shiftProcess moves what was recorded of a process.
func shiftProcess(pr *bake.Process, d time.Duration) {
	move(&pr.Started, d)
	for _, t := range []*time.Time{&pr.CoolBy.Median, &pr.CoolBy.From, &pr.CoolBy.Until} {
		move(t, d)
	}
	for id, m := range pr.Marks {
		move(&m.Begun, d)
		move(&m.At, d)
		pr.Marks[id] = m
	}
}

// move shifts a time that is set.
func move(t *time.Time, d time.Duration) {
	if !t.IsZero() {
		*t = t.Add(d)
	}
}
