package app

import (
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// recorder keeps the journal of one vessel in the store, with a summary of each
// rise. A store that takes nothing is logged and told by its Health: watching goes
// on. Without a store it only counts, so that alarms have a rise to belong to.
type recorder struct {
	store  *history.Store // nil keeps nothing
	log    *slog.Logger
	vessel string
	holds  estimator.Holds
	demo   bool

	rises, events int64     // counted without a store
	rise          bake.Rise // as it was kept last
	sampledAt     time.Time // of the last sample that was kept
	trackAt       time.Time // when the measurements after the bulk were kept last
	forecastAt    time.Time // when the forecast was kept last
}

// newRecorder returns the recorder of a vessel.
func newRecorder(s *history.Store, log *slog.Logger, vessel string, holds estimator.Holds, demo bool) *recorder {
	return &recorder{store: s, log: log, vessel: vessel, holds: holds, demo: demo}
}

// How often what moves slowly is kept.
const (
	trackEvery    = 10 * time.Minute
	forecastEvery = 10 * time.Minute
)

// The start volume is kept anew when it has moved by this share.
const baselineShare = 0.005

// event keeps an event and returns it with its number. One that starts a rise gets
// the rise's number too.
func (r *recorder) event(ctx context.Context, e bake.Event, rise bake.Rise) bake.Event {
	ctx = context.WithoutCancel(ctx) // the vessel changes, whoever asked is gone or not
	var err error
	switch {
	case r.store == nil:
		r.events++
		e.ID = r.events
		if e.Kind.Starts() {
			r.rises++
			e.RiseID = r.rises
		}
	case e.Kind.Starts():
		r.endKept(ctx, e.At)
		_, err = r.store.BeginRise(ctx, bake.Rise{Vessel: r.vessel, Holds: r.holds, StartedAt: e.At,
			Batch: rise.Batch, TargetPercent: rise.TargetPercent, Demo: r.demo}, &e)
	default:
		e.ID, err = r.store.AddEvent(ctx, e)
	}
	r.report("event", e.RiseID, err)
	return e
}

// endKept ends the rise that was under way when another begins.
func (r *recorder) endKept(ctx context.Context, at time.Time) {
	if r.store == nil || r.rise.ID == 0 || !r.rise.EndedAt.IsZero() {
		return
	}
	r.rise.EndedAt = at
	r.report("end of a rise", r.rise.ID, r.store.UpdateRise(ctx, r.rise))
}

// change keeps that an event was taken back or moved.
func (r *recorder) change(ctx context.Context, e bake.Event) {
	if r.store != nil {
		r.report("event", e.RiseID, r.store.UpdateEvents(context.WithoutCancel(ctx), e))
	}
}

// samples hands the samples of a rise that are not kept yet to the store.
func (r *recorder) samples(riseID int64, all []bake.Recorded) {
	if r.store == nil || riseID == 0 {
		return
	}
	i := len(all)
	for i > 0 && all[i-1].Time.After(r.sampledAt) {
		i--
	}
	for _, x := range all[i:] {
		r.sampledAt = x.Time
		r.report("sample", riseID, r.store.AppendRow(riseID, x))
	}
}

// follow keeps what is new about the rise of a state.
func (r *recorder) follow(now time.Time, s bake.State) {
	if r.store == nil || s.Rise.ID == 0 {
		return
	}
	ctx := context.Background()
	r.followRise(ctx, s.Rise)
	if s.Process != nil && now.Sub(r.trackAt) >= trackEvery && s.After != nil {
		r.trackAt = now
		r.report("measurements after the bulk", s.Rise.ID, r.track(ctx, s))
	}
	if e := &s.Estimate; s.RiseID != 0 && !e.Ready.IsZero() && !e.ReadyIsPast && now.Sub(r.forecastAt) >= forecastEvery {
		r.forecastAt = now
		r.report("forecast", s.RiseID, r.store.AppendForecast(history.Forecast{RiseID: s.RiseID, At: now, Ready: e.Ready}))
	}
}

// followRise keeps the summary of a rise when it says something new.
func (r *recorder) followRise(ctx context.Context, now bake.Rise) {
	was := r.rise
	same := was.ID == now.ID && was.Phase == now.Phase && was.ReachedAt.IsZero() == now.ReachedAt.IsZero() && was.TargetPercent == now.TargetPercent &&
		was.EndedAt.Equal(now.EndedAt) && was.StartedAt.Equal(now.StartedAt) && math.Abs(was.BaselineL-now.BaselineL) <= baselineShare*now.BaselineL
	if same {
		return
	}
	r.rise = now
	r.report("rise", now.ID, r.store.UpdateRise(ctx, now))
}

// gone removes a rise whose start was taken back. What was told and measured since
// belongs to the rise before, or to none when that is 0: the run as it stands now.
func (r *recorder) gone(ctx context.Context, start bake.Event, before bake.Rise, run bake.Run) {
	r.rise, r.sampledAt = before, start.At.Add(-time.Millisecond)
	if r.store == nil || start.RiseID == 0 {
		return
	}
	ctx = context.WithoutCancel(ctx)
	r.report("events of a rise that was taken back", start.RiseID, r.store.UpdateEvents(ctx, run.Events...))
	r.report("rise that was taken back", start.RiseID, r.store.DeleteRise(ctx, start.RiseID))
}

// goOn takes up a rise that was kept by an earlier run, with samples up to a moment.
func (r *recorder) goOn(kept bake.Rise, sampledAt time.Time) { r.rise, r.sampledAt = kept, sampledAt }

// trackKey is where it is kept what was measured after the bulk of a vessel's bake.
func trackKey(vessel string) string { return "track/" + vessel }

// track keeps what was measured after the bulk.
func (r *recorder) track(ctx context.Context, s bake.State) error {
	body, err := json.Marshal(s.Process.Track)
	if err != nil {
		return err
	}
	return r.store.Settings().Set(ctx, trackKey(r.vessel), body)
}

// report logs a failure to keep something.
func (r *recorder) report(what string, rise int64, err error) {
	if err != nil {
		r.log.Warn("history did not take a record", "what", what, "vessel", r.vessel, "rise", rise, "error", err)
	}
}
