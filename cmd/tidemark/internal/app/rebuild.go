package app

import (
	"context"
	"encoding/json"
	"time"

	"tidemark/alert"
	"tidemark/estimator"
	"tidemark/history"
)

// How far apart the estimate is moved on while stored samples are fed in again:
// closely over the last stretch, so that what must hold for a while before it is
// believed or told holds on over a restart.
const (
	rebuildStep     = 5 * time.Minute
	rebuildFineStep = time.Minute
	rebuildFine     = 35 * time.Minute // a trend of temperature and the longest hold after it
)

// primedWithin is how old the last stored sample may be for the rules to go on
// from where they were. After a longer gap nobody knows what held meanwhile.
const primedWithin = 10 * time.Minute

// rebuild makes the estimator anew from the stored samples of a rise, leaving
// out the events in skip.
func (p *pipe) rebuild(ctx context.Context, store *history.Store, r history.Rise, skip map[int64]bool, now time.Time) error {
	return p.rebuildWith(ctx, store, r, skip, now, func(estimator.Estimate, bool) {})
}

// rebuildWith is rebuild; each is told of the estimates on the way, and of whether
// the vessel was in the cold.
func (p *pipe) rebuildWith(ctx context.Context, store *history.Store, r history.Rise, skip map[int64]bool, now time.Time, each func(e estimator.Estimate, cold bool)) error {
	est, err := p.newEstimator()
	if err != nil {
		return err
	}
	if r.TargetPercent > 0 && !p.markByTable() {
		est.SetTarget(r.TargetPercent)
	}
	p.keeping.begin(r)
	var sensor estimator.Sensor
	if body, err := store.Settings().Get(ctx, sensorKey(p.vessel.Name)); err == nil && json.Unmarshal(body, &sensor) == nil {
		est.KnowSensor(sensor)
	}
	baseL, baseSDL := 0.0, 0.0
	if settled(ctx, store, r) {
		baseL, baseSDL = r.BaselineL, r.BaselineSDL
	}
	est.Resume(baseL, baseSDL, r.Phase, r.PhaseSince)
	est.Observe(eventOnly(r.StartedAt, estimator.Start))
	next, cold, last := r.StartedAt.Add(rebuildStep), false, r.StartedAt
	for row, err := range store.Rows(ctx, r.ID, r.StartedAt, time.Time{}) {
		if err != nil {
			return err
		}
		for !next.After(row.Time) {
			each(est.CatchUp(next), cold)
			next = nextRebuildStep(next, now)
		}
		if skip[row.Time.UnixMilli()] || row.Event == estimator.Start {
			row.Event = estimator.NoEvent
		}
		cold = coldAfter(cold, row.Event)
		p.keeping.stay.Follow(row.Time, row.Event, row.DoughC, row.AirC)
		est.Observe(estimator.Sample{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, Event: row.Event})
		last = row.Time
	}
	each(est.CatchUp(last), cold)
	p.est, p.cold, p.rise, p.lastRow = est, cold, r, last
	p.last = est.Estimate(later(now, last))
	p.rise.StartedAt = p.last.Started
	p.layOut(p.last.Time) // an act may come before the next advance
	return nil
}

// nextRebuildStep is when the estimate is moved on next: by small steps within
// the last stretch before now, by large ones before, but not past its beginning.
func nextRebuildStep(at, now time.Time) time.Time {
	fine := now.Add(-rebuildFine)
	if !at.Before(fine) {
		return at.Add(rebuildFineStep)
	}
	if next := at.Add(rebuildStep); next.Before(fine) {
		return next
	}
	return fine
}

// settled reports whether the stored start volume of a rise may be relied on: not
// when all that was seen of the rise is its first minutes. Samples that are lost, or
// cannot be read at the moment, say nothing against it.
func settled(ctx context.Context, store *history.Store, r history.Rise) bool {
	by := r.StartedAt.Add(baselineSettles)
	if r.PhaseSince.After(by) {
		return true
	}
	seen := false
	for row, err := range store.Rows(ctx, r.ID, r.StartedAt, time.Time{}) {
		if err != nil || !row.Time.Before(by) {
			return true
		}
		seen = true
	}
	return !seen
}

// anyRow reports whether there is a sample of a rise from a moment on.
func anyRow(ctx context.Context, store *history.Store, id int64, from time.Time) bool {
	for _, err := range store.Rows(ctx, id, from, time.Time{}) {
		return err == nil
	}
	return false
}

// primer shows the rules what they saw shortly before the last run ended, so that
// a warning that was held back then comes when it would have come. What was so
// before the stored phase began is not shown by that phase.
func (p *pipe) primer(ctx context.Context, store *history.Store, r history.Rise, now time.Time) func(estimator.Estimate, bool) {
	recent := anyRow(ctx, store, r.ID, now.Add(-primedWithin))
	from := now.Add(-rebuildFine)
	return func(e estimator.Estimate, cold bool) {
		if !recent || e.Time.Before(from) {
			return
		}
		if e.Time.Before(r.PhaseSince) {
			e.Phase, e.ReadyIsPast = estimator.Rising, false
		}
		p.watch.WarmUp(alert.Input{
			Vessel: p.vessel.Name, Holds: p.vessel.Holds, RiseID: r.ID, Now: e.Time, Lead: p.vessel.Lead, Estimate: e,
			InFridge: cold, System: alert.System{ClockSet: true, DiskFreeRatio: nan()},
		})
	}
}
