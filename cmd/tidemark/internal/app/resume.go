package app

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// rebuildStep is how far apart the estimate is moved on while stored samples
// are fed in again.
const rebuildStep = 5 * time.Minute

// resume takes up the rises that were under way when the last run ended, with
// baseline, phase, process and the alarms that were sent.
func (a *App) resume(ctx context.Context) error {
	if a.opt.Store == nil {
		return nil
	}
	for _, p := range a.pipes {
		a.applyLearned(ctx, p)
		p.ended = func(r history.Rise) { a.work.Go(func() { a.teach(context.WithoutCancel(ctx), r) }) }
	}
	rises, err := a.opt.Store.OpenRises(ctx)
	if err != nil {
		return fmt.Errorf("the rises under way cannot be read: %w", err)
	}
	now := a.opt.Clock.Now()
	if o := a.opt.Store.Opened(); o.Unclean && !o.LastWrite.IsZero() && len(rises) > 0 {
		a.unwatched = alert.Span{From: o.LastWrite, Until: now}
	}
	for _, r := range rises {
		p := a.pipes[r.Vessel]
		if p == nil || p.rise.ID != 0 {
			a.endOrphan(ctx, r, now)
			continue
		}
		if err := a.takeUp(ctx, p, r, now); err != nil {
			a.log.Warn("a rise could not be taken up again", "vessel", r.Vessel, "rise", r.ID, "error", err)
			continue
		}
		a.log.Info("taken up again", "vessel", r.Vessel, "rise", r.ID, "since", r.StartedAt.Format(time.RFC3339), "phase", p.last.Phase)
	}
	return nil
}

// endOrphan closes a rise whose vessel is gone from the configuration or has a
// newer one.
func (a *App) endOrphan(ctx context.Context, r history.Rise, now time.Time) {
	r.EndedAt = now
	if err := a.opt.Store.EndRise(ctx, r); err != nil {
		a.log.Warn("an old rise could not be closed", "rise", r.ID, "error", err)
	}
}

// takeUp rebuilds the pipe of one rise.
func (a *App) takeUp(ctx context.Context, p *pipe, r history.Rise, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	acts, err := a.opt.Store.Acts(ctx, r.ID)
	if err != nil {
		return err
	}
	p.deeds = deedsOf(acts)
	if body, err := a.opt.Store.Process(ctx, r.ID); err == nil && len(body) > 0 {
		pr := new(bake.Process)
		if err := json.Unmarshal(body, pr); err != nil {
			return fmt.Errorf("the stored steps cannot be read: %w", err)
		}
		p.process = pr
	}
	return p.rebuild(ctx, a.opt.Store, r, undone(acts), now)
}

// deedsOf turns stored acts into what the page lists.
func deedsOf(acts []history.Act) []web.Deed {
	var out []web.Deed
	for _, h := range acts {
		if h.Undone {
			continue
		}
		var d deedData
		_ = json.Unmarshal(h.Data, &d) // an act without data shows without detail
		k := web.ActKind(h.Kind)
		out = append(out, web.Deed{
			ID: h.ID, At: h.At, Kind: k, By: h.By, CanUndo: canUndo(k), TargetPc: d.TargetPercent,
			Detail: detail(web.Act{Kind: k, TargetPercent: d.TargetPercent, StepID: d.StepID}),
		})
	}
	return out
}

// undone lists the moments of events that were taken back.
func undone(acts []history.Act) map[int64]bool {
	out := map[int64]bool{}
	for _, h := range acts {
		if h.Undone && eventOf(web.ActKind(h.Kind)) != estimator.NoEvent {
			out[h.At.UnixMilli()] = true
		}
	}
	return out
}

// rebuild makes the estimator anew from the stored samples of a rise, leaving
// out the events in skip.
func (p *pipe) rebuild(ctx context.Context, store *history.Store, r history.Rise, skip map[int64]bool, now time.Time) error {
	est, err := estimator.New(estimatorConfig(p.vessel))
	if err != nil {
		return err
	}
	if p.prior != nil {
		est.SetPrior(*p.prior)
	}
	if r.TargetPercent > 0 && p.vessel.TargetTable == nil {
		est.SetTarget(r.TargetPercent)
	}
	est.Resume(r.BaselineL, r.BaselineSDL, r.Phase, r.PhaseSince)
	est.Observe(eventOnly(r.StartedAt, estimator.Start))
	next, cold, last := r.StartedAt.Add(rebuildStep), false, r.StartedAt
	for row, err := range store.Rows(ctx, r.ID, r.StartedAt, time.Time{}) {
		if err != nil {
			return err
		}
		for !next.After(row.Time) {
			est.Estimate(next)
			next = next.Add(rebuildStep)
		}
		if skip[row.Time.UnixMilli()] || row.Event == estimator.Start {
			row.Event = estimator.NoEvent
		}
		cold = coldAfter(cold, row.Event)
		est.Observe(estimator.Sample{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, Event: row.Event})
		last = row.Time
	}
	p.est, p.cold, p.rise, p.lastRow = est, cold, r, last
	p.last = est.Estimate(later(now, last))
	p.rise.StartedAt = p.last.Started
	return nil
}

// coldAfter follows where the vessel stands.
func coldAfter(cold bool, e estimator.Event) bool {
	switch e {
	case estimator.Fridge:
		return true
	case estimator.Counter, estimator.Start:
		return false
	}
	return cold
}
