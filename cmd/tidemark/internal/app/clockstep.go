package app

import (
	"context"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
)

// skewAllowed is how far the wall clock may drift from the steady clock before the
// timeline follows it.
const skewAllowed = 2 * time.Second

// settlesWithin is how long after a start the wall clock is expected to be set from
// the network, where nothing says that it was.
const settlesWithin = 10 * time.Minute

// startClock begins the timeline. It never begins before the last sign of life of the
// run before: a machine without a clock of its own starts in the past.
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
		steady.Step(behind)
		a.doubted, a.began = true, steady.Now()
	}
}

// believed reports whether a wall time can be true: it lies after what the last run
// saw, or the system says that it was set from the network.
func (a *App) believed(wall time.Time) bool {
	return !wall.Before(a.notBefore) || setFromNetwork(a.timesync)
}

// FollowClock moves the whole timeline when the wall clock turns out to be elsewhere:
// set from the network after a start in the past, or corrected by hand. Intervals stay
// as they are, so no curve bends, no hold time runs out and no notification expires.
// The live watch does it before every Advance; a clock that is not Steady has no wall
// to follow.
func (a *App) FollowClock(ctx context.Context) {
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	skew := steady.skew()
	if skew.Abs() <= skewAllowed || !a.believed(steady.Wall()) {
		return
	}
	if skew.Abs() > time.Minute {
		a.log.Warn("the clock was set; the rises under way move with it", "by", skew.Round(time.Second).String())
	}
	for _, v := range a.order { // nothing is read or stored while the timeline moves
		v.mu.Lock()
		defer v.mu.Unlock()
	}
	step := a.stepBy(steady, skew)
	err := a.manager.ClockStep(step.ClockStep, func() error {
		defer steady.Step(skew)
		if a.opt.Store == nil {
			return nil
		}
		return a.opt.Store.StepClock(ctx, a.clockSteps(step)...)
	})
	if err != nil {
		a.log.Warn("what is stored could not follow the clock whole", "error", err)
	}
	for _, v := range a.order {
		run := step.ClockStep
		if !step.moves(v.state.Rise, a.began) {
			run.From = run.Before // only folded again: it was moved on to a time that did not come
		}
		v.session.StepClock(run.From, run.Before, run.By)
		if v.former != nil {
			step.Times(&v.former.warmUpFrom)
		}
		v.stored.clockStep(run)
		step.Times(&v.awake)
		v.evaluator.ClockStep(step.ClockStep)
		v.readings.clockStep(step.ClockStep)
		v.foldAgain()
	}
	a.doubted = false
	a.stepSpan(skew, step.late)
}

// stepped is one setting of the clock.
type stepped struct {
	alert.ClockStep
	late bool // the clock was wrong since this run began, not before
}

// stepBy says what moves by so much: what this run stamped when its clock was late
// from the beginning, else the last rise of each vessel. A clock that was ahead cannot
// be kept apart: the moved times would lie among those of an earlier run.
func (a *App) stepBy(steady *Steady, skew time.Duration) stepped {
	before := steady.Now().Add(time.Second)
	s := stepped{ClockStep: alert.ClockStep{Before: before, By: skew}}
	s.late = a.doubted || before.Sub(a.began) < settlesWithin
	if s.late && skew > 0 {
		s.From = a.began
	}
	return s
}

// moves reports whether the last rise of a vessel goes along: it goes on, or it ended by
// the same timeline, so that it is as long ago as it was.
func (s stepped) moves(r bake.Rise, began time.Time) bool {
	return !s.From.IsZero() || r.EndedAt.IsZero() || r.EndedAt.After(began)
}

// clockSteps names the parts of the history that move.
func (a *App) clockSteps(s stepped) []history.ClockStep {
	if !s.From.IsZero() {
		return []history.ClockStep{{All: true, ClockStep: s.ClockStep}}
	}
	steps := []history.ClockStep{{ClockStep: s.ClockStep}}
	for _, v := range a.order {
		if r := v.state.Rise; r.ID != 0 && s.moves(r, a.began) {
			steps = append(steps, history.ClockStep{RiseID: r.ID, ClockStep: s.ClockStep})
		}
	}
	return steps
}

// stepSpan moves the times of the watch itself.
func (a *App) stepSpan(skew time.Duration, late bool) {
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	a.began = a.began.Add(skew)
	alert.ClockStep{By: skew}.Times(&a.advanced)
	if late && !a.unwatched.From.IsZero() {
		a.unwatched.Until = a.unwatched.Until.Add(skew)
	}
}

// clockStep moves what is remembered of the rise.
func (r *stored) clockStep(m alert.ClockStep) {
	m.Times(&r.rise.StartedAt, &r.rise.EndedAt, &r.rise.ReachedAt, &r.rise.PeakAt, &r.rise.PhaseSince, &r.sampledAt)
	r.trackAt, r.forecastAt = time.Time{}, time.Time{}
}
