package app

import (
	"context"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
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

// FollowWall moves the whole timeline when the wall clock turns out to be
// elsewhere: set from the network after a start in the past, or corrected by
// hand. Intervals stay as they are, so no curve bends, no hold time runs out and
// no notification expires. The live watch does it before every Advance; a clock that is
// not Steady has no wall to follow.
func (a *App) FollowWall(ctx context.Context) {
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
	j := a.jumpBy(steady, skew)
	err := a.manager.ClockStep(j.ClockStep, func() error {
		defer steady.Shift(skew)
		if a.opt.Store == nil {
			return nil
		}
		return a.opt.Store.ShiftTimes(ctx, a.stored(j)...)
	})
	if err != nil {
		a.log.Warn("what is stored could not follow the clock whole", "error", err)
	}
	for _, name := range a.order {
		a.rebase(ctx, a.pipes[name], j, err == nil)
	}
	a.doubted = false
	a.moveSpan(skew, j.late)
	if a.opt.Listen != "" {
		a.refreshAlarms(ctx)
	}
}

// jump is one setting of the clock.
type jump struct {
	alert.ClockStep
	began time.Time // of this run, by the clock before
	late  bool      // the clock was wrong since this run began, not before
}

// jumpBy says what moves by so much: what this run stamped when its clock was
// late from the beginning, else everything that goes on. A clock that was ahead
// cannot be kept apart: the moved times would lie among those of an earlier run.
func (a *App) jumpBy(steady *Steady, skew time.Duration) jump {
	before := steady.Now().Add(time.Second)
	j := jump{ClockStep: alert.ClockStep{Before: before, By: skew}, began: a.began}
	j.late = a.doubted || before.Sub(a.began) < settlesWithin
	if j.late && skew > 0 {
		j.From = a.began
	}
	return j
}

// stored names the parts of the history that move.
func (a *App) stored(j jump) []history.ClockStep {
	if !j.From.IsZero() {
		return []history.ClockStep{{All: true, ClockStep: j.ClockStep}}
	}
	moves := []history.ClockStep{{ClockStep: j.ClockStep}}
	for _, name := range a.order {
		if id := a.pipes[name].alarmRise(); id != 0 {
			moves = append(moves, history.ClockStep{RiseID: id, ClockStep: j.ClockStep})
		}
	}
	return moves
}

// moveSpan moves the times of the watch itself.
func (a *App) moveSpan(skew time.Duration, late bool) {
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	a.began = a.began.Add(skew)
	alert.ClockStep{By: skew}.Times(&a.advanced, &a.awake)
	if late && !a.unwatched.IsZero() {
		a.unwatched.Until = a.unwatched.Until.Add(skew)
	}
}

// rebase moves one vessel. A rise that an earlier run began keeps its times from
// that run when only this run's clock was late: it is built anew from the
// history, which has moved already.
func (a *App) rebase(ctx context.Context, p *pipe, j jump, stored bool) {
	if resumed := p.rise.ID != 0 && !j.Covers(p.rise.StartedAt); resumed {
		if stored && a.opt.Store != nil {
			err := a.rebuildMoved(ctx, p, j)
			if err == nil {
				return
			}
			a.log.Warn("a rise could not be built anew after the clock was set; it moves whole",
				"vessel", p.vessel.Name, "rise", p.rise.ID, "error", err)
		}
		j.ClockStep = alert.ClockStep{By: j.By}
	}
	p.est.Shift(j.By)
	p.shift(j.ClockStep)
	if p.process != nil && stored {
		p.keepProcess()
	}
}

// rebuildMoved builds the rise anew from the history, some of which has moved.
func (a *App) rebuildMoved(ctx context.Context, p *pipe, j jump) error {
	acts, err := a.opt.Store.Acts(ctx, p.rise.ID)
	if err != nil {
		return err
	}
	p.shift(j.ClockStep)
	p.deeds = deedsOf(acts)
	if p.process != nil {
		p.keepProcess()
	}
	return p.rebuild(ctx, a.opt.Store, p.rise, undone(acts), a.opt.Clock.Now())
}

// shift moves what the pipe knows in time, but for the estimator.
func (p *pipe) shift(m alert.ClockStep) {
	p.watch.ClockStep(m)
	p.taken.shift(m)
	m.Times(&p.rise.StartedAt, &p.rise.ReachedAt, &p.rise.PeakAt, &p.rise.PhaseSince, &p.lastRow, &p.last.Time, &p.last.Started)
	m.Times(&p.keeping.stay.ColdFrom, &p.keeping.stay.Since, &p.trackKept)
	for i := range p.deeds {
		m.Times(&p.deeds[i].At)
	}
	if p.process != nil {
		shiftProcess(p.process, m)
	}
	if p.plan != nil {
		m.Times(&p.plan.Adopted, &p.plan.SaidAt)
	}
}

// shiftProcess moves what was recorded of a process.
func shiftProcess(pr *bake.Process, m alert.ClockStep) {
	m.Times(&pr.Started)
	alert.ClockStep{From: m.From, By: m.By}.Times(&pr.CoolBy.Median, &pr.CoolBy.From, &pr.CoolBy.Until) // they lie ahead
	past, ahead := pr.Track.Moments()
	m.Times(past...)
	alert.ClockStep{From: m.From, By: m.By}.Times(ahead...)
	for id, mark := range pr.Marks {
		m.Times(&mark.Begun, &mark.At)
		pr.Marks[id] = mark
	}
}
