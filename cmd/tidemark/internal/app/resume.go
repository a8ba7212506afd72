package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// resume takes up the rises that were under way when the last run ended, with
// baseline, phase, process and the alarms that were sent.
func (a *App) resume(ctx context.Context) error {
	if a.opt.Store == nil {
		return nil
	}
	for _, p := range a.pipes {
		p.mu.Lock()
		a.applyLearned(ctx, p)
		a.learnFeeds(ctx, p)
		p.mu.Unlock()
		p.ended = func(r history.Rise) { a.work.Go(func() { a.learnFrom(context.WithoutCancel(ctx), p, r) }) }
	}
	rises, err := a.opt.Store.OpenRises(ctx)
	if err != nil {
		return fmt.Errorf("the rises under way cannot be read: %w", err)
	}
	now := a.opt.Clock.Now()
	if o := a.opt.Store.Opened(); o.Unclean && !o.LastWrite.IsZero() && len(rises) > 0 {
		a.unwatched = alert.Span{From: o.LastWrite, Until: now}
	}
	for i, r := range rises {
		if err := ctx.Err(); err != nil {
			return err
		}
		if a.opt.TakingUp != nil {
			a.opt.TakingUp(i+1, len(rises))
		}
		p := a.pipes[r.Vessel]
		if p == nil || p.rise.ID != 0 {
			a.endOrphan(ctx, r, now)
			continue
		}
		if err := a.takeUp(ctx, p, r, now); err != nil {
			a.log.Warn("a rise could not be taken up again", "vessel", r.Vessel, "rise", r.ID, "error", err)
			continue
		}
		a.log.Info("a rise is taken up again", "vessel", r.Vessel, "rise", r.ID, "since", r.StartedAt.Format(time.RFC3339), "phase", p.last.Phase)
	}
	for _, p := range a.pipes {
		if p.rise.ID != 0 {
			continue
		}
		if e := a.afterLast(ctx, p, now); e != nil {
			err = errors.Join(err, fmt.Errorf("the last rise of %s cannot be read: %w", p.vessel.Name, e))
		}
		p.mu.Lock()
		err = errors.Join(err, a.takePlan(ctx, p, history.Rise{ID: p.processRise, EndedAt: now}))
		p.layOut(now)
		p.mu.Unlock()
	}
	return err
}

// bakeGoesOn is how long after the end of a rise its process may still be under
// way: proof in the fridge, oven, cooling.
const bakeGoesOn = 48 * time.Hour

// afterLast prepares a vessel whose last rise was ended: the next one begins
// when the household says so, and the bake goes on from where it was.
func (a *App) afterLast(ctx context.Context, p *pipe, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	page, err := a.opt.Store.Rises(ctx, history.Filter{Vessel: p.vessel.Name, Limit: 1})
	if err != nil || len(page.Rises) == 0 || page.Rises[0].UnderWay() {
		return err // one under way that cannot be taken up begins anew
	}
	p.autoStart = false
	if p.est, err = p.newEstimator(); err != nil {
		return err
	}
	if r := page.Rises[0]; now.Sub(r.EndedAt) < bakeGoesOn {
		return a.takeProcess(ctx, p, r.ID)
	}
	return nil
}

// takeProcess reads the steps kept with a rise; a rise may have none.
func (a *App) takeProcess(ctx context.Context, p *pipe, rise int64) error {
	body, err := a.opt.Store.Process(ctx, rise)
	if errors.Is(err, history.ErrNotFound) || (err == nil && len(body) == 0) {
		return nil
	}
	if err != nil {
		return err
	}
	pr := new(bake.Process)
	if err := json.Unmarshal(body, pr); err != nil {
		return fmt.Errorf("the stored steps cannot be read: %w", err)
	}
	p.process, p.processRise = pr, rise
	return nil
}

// endOrphan closes a rise whose vessel is gone from the configuration or has a
// newer one.
func (a *App) endOrphan(ctx context.Context, r history.Rise, now time.Time) {
	r.EndedAt = now
	if err := a.opt.Store.EndRise(ctx, r); err != nil {
		a.log.Warn("an old rise could not be closed", "vessel", r.Vessel, "rise", r.ID, "error", err)
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
	if err := a.takeProcess(ctx, p, r.ID); err != nil {
		a.log.Warn("the steps of a rise are lost", "vessel", r.Vessel, "rise", r.ID, "error", err)
	}
	if err := a.takePlan(ctx, p, r); err != nil {
		a.log.Warn("the plan of a rise is lost", "vessel", r.Vessel, "rise", r.ID, "error", err)
	}
	if err := p.rebuildWith(ctx, a.opt.Store, r, undone(acts), now, p.primer(ctx, a.opt.Store, r, now)); err != nil {
		return err
	}
	p.goesOn = !a.doubted && now.Sub(p.lastRow) < breakAfter // a clock in doubt knows no breaks
	return nil
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
			Detail: detail(web.Act{Kind: k, TargetPercent: d.TargetPercent, StepID: d.StepID, Note: d.Note, Judgement: history.Judgement{Outcome: d.Outcome}}),
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
