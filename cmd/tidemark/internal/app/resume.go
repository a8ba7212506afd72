package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/bake"
)

// warmUpWithin is how old the last stored sample may be for the rules to go on from
// where they were. After a longer gap nobody knows what held meanwhile.
const warmUpWithin = 10 * time.Minute

// warmUpSpan is how far back the rules are shown what was so: the longest of what
// they hold back.
const warmUpSpan = 35 * time.Minute

// goesOnFor is how long after the end of a rise its bake may still be under way:
// proof in the refrigerator, oven, cooling.
const goesOnFor = 48 * time.Hour

// takeUp takes up what was under way. When the history turns out to be damaged on the
// way, what can be saved of it is read once more.
func (a *App) takeUp(ctx context.Context) error {
	err := errors.Join(a.restoreAlarms(ctx), a.resume(ctx))
	if err == nil || a.opt.Store == nil {
		return err
	}
	a.log.Warn("what was kept cannot be read; the file is looked at as a whole", "error", err)
	return errors.Join(a.opt.Store.Repair(ctx), a.restoreAlarms(ctx), a.resume(ctx))
}

// resume takes up what each vessel's journal says, where that was not done yet.
func (a *App) resume(ctx context.Context) error {
	if a.opt.Store == nil {
		return nil
	}
	open, err := a.opt.Store.OpenRises(ctx)
	if err != nil {
		return fmt.Errorf("the rises under way cannot be read: %w", err)
	}
	now := a.opt.Clock.Now()
	if o := a.opt.Store.Opened(); o.Unclean && !o.LastWrite.IsZero() && len(open) > 0 {
		a.unwatched = bake.Span{From: o.LastWrite, Until: now}
	}
	for _, name := range a.order {
		v := a.vessels[name]
		v.mu.Lock()
		if v.recorder.rise.ID == 0 {
			if e := a.resumeVessel(ctx, v, now); e != nil {
				err = errors.Join(err, fmt.Errorf("the journal of %s cannot be read: %w", name, e))
			}
		}
		v.mu.Unlock()
	}
	if err == nil { // else a rise may only seem to be nobody's
		a.endOrphans(ctx, open, now)
	}
	return err
}

// resumeVessel takes up the journal of one vessel. v.mu is held.
func (a *App) resumeVessel(ctx context.Context, v *vessel, now time.Time) error {
	learned := a.learned(ctx, v)
	v.session.Learn(learned)
	v.state = v.session.State()
	previous, run, startUndone, err := a.journal(ctx, v.config.Name)
	switch {
	case err != nil:
		return err
	case len(run.Events) == 0 && startUndone:
		return v.session.Wait()
	case len(run.Events) == 0:
		return nil
	}
	rise, err := a.riseOfRun(ctx, run)
	if err != nil {
		return err
	}
	if !rise.EndedAt.IsZero() && now.Sub(rise.EndedAt) > goesOnFor || rise.ID == 0 && run.Events[0].Kind != bake.EventPlan {
		return v.session.Wait() // the next one begins when the household says so
	}
	s, err := bake.Resume(a.describe(v.config, false), learned, previous, run, a.trackOf(ctx, v.config.Name))
	if err != nil {
		return err
	}
	v.session = s
	v.recorder.goOn(rise, lastOf(run.Samples))
	if rise.ID != 0 && rise.EndedAt.IsZero() && s.Stale() {
		v.former = &former{rise: rise, warmUpFrom: warmUpFrom(run, now)}
	}
	if n := len(run.Samples); n > 0 {
		v.goesOn = !a.doubted && now.Sub(run.Samples[n-1].Time) < breakAfter // a clock in doubt knows no breaks
	}
	a.foldAgain(v)
	v.moveOn(now)
	a.log.Info("a bake goes on", "vessel", v.config.Name, "rise", rise.ID, "since", rise.StartedAt.Format(time.RFC3339))
	return nil
}

// warmUpFrom is from when on the rules are shown what was so before the last run
// ended, so that a warning that was held back then comes when it would have come; zero
// for not at all.
func warmUpFrom(run bake.Run, now time.Time) time.Time {
	if n := len(run.Samples); n == 0 || now.Sub(run.Samples[n-1].Time) > warmUpWithin {
		return time.Time{}
	}
	return now.Add(-warmUpSpan)
}

// warmUp returns what collects the states of a fold from a moment on, and what was
// collected. A fold runs beside the watch, so the rules see it when it is taken.
func (h *former) warmUp() (each func(bake.State), past func() []alert.Input) {
	var inputs []alert.Input
	if h == nil || h.warmUpFrom.IsZero() {
		return func(bake.State) {}, func() []alert.Input { return nil }
	}
	sys := alert.System{ClockSet: true, DiskFreeRatio: nan()}
	each = func(s bake.State) {
		if !s.At.Before(h.warmUpFrom) {
			inputs = append(inputs, alert.Input{State: s, RiseID: alarmRise(s), System: sys})
		}
	}
	return each, func() []alert.Input { return inputs }
}

// lastOf is the time of the last sample; zero for none.
func lastOf(samples []bake.Recorded) time.Time {
	if n := len(samples); n > 0 {
		return samples[n-1].Time
	}
	return time.Time{}
}

// journal reads the run under way in a vessel, and the one before it; nil when there
// was none. startUndone reports whether the household took a start back.
func (a *App) journal(ctx context.Context, vessel string) (previous *bake.Run, run bake.Run, startUndone bool, err error) {
	stored, err := a.opt.Store.VesselEvents(ctx, vessel, time.Time{}, time.Time{})
	if err != nil {
		return nil, run, false, err
	}
	startUndone = slices.ContainsFunc(stored, func(e bake.Event) bool { return e.Kind.Starts() && e.Undone() })
	runs := splitRuns(stored)
	for i := range runs {
		if err := a.readSamples(ctx, &runs[i]); err != nil {
			return nil, run, startUndone, err
		}
	}
	n := len(runs)
	if n > 1 {
		previous = &runs[n-2]
	}
	if n > 0 {
		run = runs[n-1]
	}
	return previous, run, startUndone, nil
}

// splitRuns parts the events of a vessel, in order of time, into its last two runs.
func splitRuns(stored []bake.Event) []bake.Run {
	var runs []bake.Run
	pending := false
	for _, e := range stored {
		begins := !e.Undone() && (e.Kind == bake.EventPlan || e.Kind.Starts() && !pending)
		if begins {
			runs = append(runs, bake.Run{})
		}
		if len(runs) == 0 {
			continue
		}
		last := &runs[len(runs)-1]
		last.Events = append(last.Events, e)
		if !e.Undone() && (e.Kind == bake.EventPlan || e.Kind.Starts()) {
			pending = e.Kind == bake.EventPlan
		}
	}
	return runs[max(0, len(runs)-2):]
}

// readSamples reads the samples of a run.
func (a *App) readSamples(ctx context.Context, run *bake.Run) error {
	i := slices.IndexFunc(run.Events, func(e bake.Event) bool { return e.Kind.Starts() && !e.Undone() })
	if i < 0 || run.Events[i].RiseID == 0 {
		return nil
	}
	var err error
	run.Samples, err = a.opt.Store.Rows(ctx, run.Events[i].RiseID, time.Time{}, time.Time{})
	return err
}

// riseOfRun is the stored summary of the rise of a run; its ID is 0 when none began.
func (a *App) riseOfRun(ctx context.Context, run bake.Run) (bake.Rise, error) {
	for _, e := range run.Events {
		if e.Kind.Starts() && !e.Undone() && e.RiseID != 0 {
			return a.opt.Store.Rise(ctx, e.RiseID)
		}
	}
	return bake.Rise{}, nil
}

// trackOf reads what was measured after the bulk of a bake; nil when nothing was.
func (a *App) trackOf(ctx context.Context, vessel string) *bake.Track {
	body, err := a.opt.Store.Settings().Get(ctx, trackKey(vessel))
	if err != nil || len(body) == 0 {
		return nil
	}
	t := new(bake.Track)
	if json.Unmarshal(body, t) != nil {
		return nil
	}
	return t
}

// endOrphans ends rises whose vessel is gone from the configuration or has a newer
// one.
func (a *App) endOrphans(ctx context.Context, open []bake.Rise, now time.Time) {
	for _, r := range open {
		if v := a.vessels[r.Vessel]; v != nil && v.recorder.rise.ID == r.ID {
			continue
		}
		r.EndedAt = now
		if err := a.opt.Store.UpdateRise(ctx, r); err != nil {
			a.log.Warn("an old rise could not be closed", "vessel", r.Vessel, "rise", r.ID, "error", err)
		}
	}
}
