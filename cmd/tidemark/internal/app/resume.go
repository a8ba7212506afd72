package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
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
	if err == nil {
		return nil
	}
	a.log.Warn("what was kept cannot be read; the file is looked at as a whole", "error", err)
	return errors.Join(a.opt.Store.Repair(ctx), a.restoreAlarms(ctx), a.resume(ctx))
}

// resume takes up what each vessel's journal says, where that was not done yet.
func (a *App) resume(ctx context.Context) error {
	open, err := a.opt.Store.OpenRises(ctx)
	if err != nil {
		return fmt.Errorf("the rises under way cannot be read: %w", err)
	}
	now := a.opt.Clock.Now()
	if o := a.opt.Store.Opened(); o.Unclean && !o.LastWrite.IsZero() && len(open) > 0 {
		a.unwatched = bake.Span{From: o.LastWrite, Until: now}
	}
	for _, v := range a.order {
		v.mu.Lock()
		if v.stored.rise.ID == 0 {
			if e := v.resume(ctx, now); e != nil {
				err = errors.Join(err, fmt.Errorf("the journal of %s cannot be read: %w", v.name, e))
			}
		}
		v.mu.Unlock()
	}
	if err == nil { // else a rise may only seem to be nobody's
		a.endOrphans(ctx, open, now)
	}
	return err
}

// resume takes up the vessel's journal. v.mu is held.
func (v *vessel) resume(ctx context.Context, now time.Time) error {
	a, learned := v.app, v.app.learned(ctx, v)
	v.session.Learn(learned)
	v.state = v.session.State()
	previous, run, err := a.journal(ctx, v.name)
	if err != nil || run == nil {
		return err
	}
	rise, err := a.riseOf(ctx, *run)
	if err != nil {
		return err
	}
	if len(run.Events) == 0 || !rise.EndedAt.IsZero() && now.Sub(rise.EndedAt) > goesOnFor || rise.ID == 0 && run.Events[0].Kind != bake.EventPlan {
		return v.session.Wait() // the next one begins when the household says so
	}
	s, err := bake.Resume(a.describe(v.config, false), learned, previous, *run, a.trackOf(ctx, v.name))
	if err != nil {
		return err
	}
	v.session, v.stored.rise = s, rise
	if n := len(run.Samples); n > 0 {
		v.stored.sampledAt = run.Samples[n-1].Time
	}
	off := now.Sub(v.stored.sampledAt)
	if rise.ID != 0 && rise.UnderWay() && s.Stale() {
		v.former = &former{rise: rise}
		if off <= warmUpWithin {
			v.former.warmUpFrom = now.Add(-warmUpSpan)
		}
	}
	if !a.doubted && off < breakAfter { // a clock in doubt knows no breaks
		v.awake = time.Time{}
	}
	v.foldAgain()
	v.moveOn(now)
	a.log.Info("a bake goes on", "vessel", v.name, "rise", rise.ID, "since", rise.StartedAt.Format(time.RFC3339))
	return nil
}

// warmUp returns what collects the states of a fold from a moment on, and what was
// collected, so that a warning that was held back when the last run ended comes when it
// would have come. A fold runs beside the watch, so the rules see it when it is taken.
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

// journal reads the run under way in a vessel, and the one before it; nil when there
// was none. The run is empty when all that began was taken back.
func (a *App) journal(ctx context.Context, vessel string) (previous, run *bake.Run, err error) {
	told, err := a.opt.Store.VesselEvents(ctx, vessel, time.Time{}, time.Time{})
	if err != nil || len(told) == 0 {
		return nil, nil, err
	}
	runs := splitRuns(told)
	for i := range runs {
		if id := runs[i].RiseID(); id != 0 {
			if runs[i].Samples, err = a.opt.Store.Rows(ctx, id, time.Time{}, time.Time{}); err != nil {
				return nil, nil, err
			}
		}
	}
	switch n := len(runs); n {
	case 0:
		return nil, &bake.Run{}, nil
	case 1:
		return nil, &runs[0], nil
	default:
		return &runs[n-2], &runs[n-1], nil
	}
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

// riseOf is the stored summary of the rise of a run; its ID is 0 when none began.
func (a *App) riseOf(ctx context.Context, run bake.Run) (bake.Rise, error) {
	if id := run.RiseID(); id != 0 {
		return a.opt.Store.Rise(ctx, id)
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
		if v := a.vessels[r.Vessel]; v != nil && v.stored.rise.ID == r.ID {
			continue
		}
		r.EndedAt = now
		if err := a.opt.Store.UpdateRise(ctx, r); err != nil {
			a.log.Warn("an old rise could not be closed", "vessel", r.Vessel, "rise", r.ID, "error", err)
		}
	}
}

// stored is how far the history has what there is to keep of a vessel. A history that
// takes nothing is logged and told by its Health: watching goes on.
type stored struct {
	rise       bake.Rise // its summary
	sampledAt  time.Time // of the last sample
	trackAt    time.Time // when the measurements after the bulk were kept last
	forecastAt time.Time // when the forecast was kept last
}

// How often what moves slowly is kept.
const (
	trackEvery    = 10 * time.Minute
	forecastEvery = 10 * time.Minute
)

// keep writes down what the state newly says. While the journal is being folded the
// state says less than what is kept.
func (v *vessel) keep(now time.Time) {
	if v.session.Keep(func(e bake.Event) bake.Event { return v.keepEvent(e, v.state.Rise) }) {
		v.state = v.session.State()
	}
	s, at := v.state, &v.stored
	if s.WorkingOut || s.Rise.ID == 0 || v.app.opt.Untaught {
		return
	}
	v.keepSamples(s.Rise.ID)
	v.keepRise(s.Rise)
	if s.Process != nil && now.Sub(at.trackAt) >= trackEvery && s.After != nil {
		at.trackAt = now
		v.app.keepSetting(context.Background(), trackKey(v.name), s.Process.Track)
	}
	if e := &s.Estimate; s.RiseID != 0 && !e.Ready.IsZero() && !e.ReadyIsPast && now.Sub(at.forecastAt) >= forecastEvery {
		at.forecastAt = now
		v.unkept("forecast", s.RiseID, v.app.opt.Store.AppendForecast(history.Forecast{RiseID: s.RiseID, At: now, Ready: e.Ready}))
	}
}

// keepEvent keeps an event and returns it with its number. One that starts a rise gets
// the rise's number too.
func (v *vessel) keepEvent(e bake.Event, rise bake.Rise) bake.Event {
	ctx := context.Background() // the vessel changes, whoever asked is gone or not
	store, at := v.app.opt.Store, &v.stored
	var err error
	if e.Kind.Starts() {
		if at.rise.ID != 0 && at.rise.UnderWay() {
			ended := at.rise
			ended.EndedAt = e.At
			v.keepRise(ended)
		}
		_, err = store.BeginRise(ctx, bake.Rise{Vessel: v.name, Holds: v.config.Holds, StartedAt: e.At,
			Batch: rise.Batch, TargetPercent: rise.TargetPercent, Demo: v.app.opt.Demo}, &e)
	} else {
		e.ID, err = store.AddEvent(ctx, e)
	}
	v.unkept("event", e.RiseID, err)
	return e
}

// keepSamples hands the samples of a rise that are not kept yet to the history.
func (v *vessel) keepSamples(riseID int64) {
	all := v.session.Journal().Samples
	i := len(all)
	for i > 0 && all[i-1].Time.After(v.stored.sampledAt) {
		i--
	}
	for _, x := range all[i:] {
		v.stored.sampledAt = x.Time
		v.unkept("sample", riseID, v.app.opt.Store.AppendRow(riseID, x))
	}
}

// The start volume is kept anew when it has moved by this share.
const baselineShare = 0.005

// keepRise keeps the summary of a rise when it says something new. One that ended
// teaches; one whose end was taken back taught nothing.
func (v *vessel) keepRise(now bake.Rise) {
	was := v.stored.rise
	over := was.UnderWay() != now.UnderWay()
	if was.ID == now.ID && !over && was.Phase == now.Phase && was.ReachedAt.IsZero() == now.ReachedAt.IsZero() && was.TargetPercent == now.TargetPercent &&
		was.EndedAt.Equal(now.EndedAt) && was.StartedAt.Equal(now.StartedAt) && math.Abs(was.BaselineL-now.BaselineL) <= baselineShare*now.BaselineL {
		return
	}
	v.stored.rise = now
	v.unkept("rise", now.ID, v.app.opt.Store.UpdateRise(context.Background(), now))
	if was.ID == now.ID && over {
		v.app.learnBeside(v)
	}
}

// startUndone removes a rise whose start was taken back. What was told and measured
// since belongs to the rise before, or to none: the run as it stands now.
func (v *vessel) startUndone(start bake.Event) {
	run, ctx := v.session.Journal(), context.Background()
	before, err := v.app.riseOf(ctx, run)
	v.unkept("rise before", before.ID, err)
	v.stored.rise, v.stored.sampledAt = before, start.At.Add(-time.Millisecond)
	if store := v.app.opt.Store; start.RiseID != 0 {
		v.unkept("events of a rise that was taken back", start.RiseID, store.UpdateEvents(ctx, run.Events...))
		v.unkept("rise that was taken back", start.RiseID, store.DeleteRise(ctx, start.RiseID))
	}
}

// trackKey is where it is kept what was measured after the bulk of a vessel's bake.
func trackKey(vessel string) string { return "track/" + vessel }

// unkept logs a failure to keep something.
func (v *vessel) unkept(what string, rise int64, err error) {
	if err != nil {
		v.app.log.Warn("history did not take a record", "what", what, "vessel", v.name, "rise", rise, "error", err)
	}
}
