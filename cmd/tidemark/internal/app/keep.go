package app

import (
	"context"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/history"
)

// stored is how far the history has what there is to keep of a vessel. A history that
// takes nothing is logged and told by its Health: watching goes on. Without one, events
// and rises are only counted, so that alarms have a rise to belong to.
type stored struct {
	rise          bake.Rise // its summary
	sampledAt     time.Time // of the last sample
	trackAt       time.Time // when the measurements after the bulk were kept last
	forecastAt    time.Time // when the forecast was kept last
	rises, events int64     // counted without a history
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
	store, s, at := v.app.opt.Store, v.state, &v.stored
	if s.WorkingOut || store == nil || s.Rise.ID == 0 {
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
		v.unkept("forecast", s.RiseID, store.AppendForecast(history.Forecast{RiseID: s.RiseID, At: now, Ready: e.Ready}))
	}
}

// keepEvent keeps an event and returns it with its number. One that starts a rise gets
// the rise's number too.
func (v *vessel) keepEvent(e bake.Event, rise bake.Rise) bake.Event {
	ctx := context.Background() // the vessel changes, whoever asked is gone or not
	store, at := v.app.opt.Store, &v.stored
	var err error
	switch {
	case store == nil:
		at.events++
		e.ID = at.events
		if e.Kind.Starts() {
			at.rises++
			e.RiseID = at.rises
		}
	case e.Kind.Starts():
		if at.rise.ID != 0 && at.rise.UnderWay() {
			ended := at.rise
			ended.EndedAt = e.At
			v.keepRise(ended)
		}
		_, err = store.BeginRise(ctx, bake.Rise{Vessel: v.name, Holds: v.config.Holds, StartedAt: e.At,
			Batch: rise.Batch, TargetPercent: rise.TargetPercent, Demo: v.app.opt.Demo}, &e)
	default:
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
	if store := v.app.opt.Store; store != nil && start.RiseID != 0 {
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
