package app

import (
	"context"
	"encoding/json"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// undo takes an act back. What the act did to the rise is removed by feeding the
// stored samples in again without it.
func (a *App) undo(ctx context.Context, p *pipe, act web.Act, now time.Time) error {
	if a.opt.Store == nil {
		return web.Refuse("no history is kept here, so nothing can be taken back")
	}
	i := len(p.deeds) - 1
	for ; i >= 0 && !(p.deeds[i].CanUndo && (act.UndoID == 0 || p.deeds[i].ID == act.UndoID)); i-- {
	}
	if i < 0 {
		return web.Refuse("there is nothing of this rise left to take back")
	}
	d := p.deeds[i]
	h, err := a.opt.Store.UndoAct(ctx, d.ID)
	if err != nil {
		return web.Refuse("%v", err)
	}
	p.deeds = append(p.deeds[:i:i], p.deeds[i+1:]...)
	return a.revert(ctx, p, h, now)
}

// revert removes the effect of an undone act.
func (a *App) revert(ctx context.Context, p *pipe, h history.Act, now time.Time) error {
	var data deedData
	if len(h.Data) > 0 {
		if err := json.Unmarshal(h.Data, &data); err != nil {
			return err
		}
	}
	switch k := web.ActKind(h.Kind); k {
	case web.ActTarget:
		p.est.SetTarget(data.FormerPercent)
		p.rise.TargetPercent = data.FormerPercent
		p.keep.update(p.rise)
		return nil
	case web.ActStepDone, web.ActStepSkip:
		return refuse(p.markStep(func(pr *bake.Process) error { return pr.Reopen(data.StepID) }))
	case web.ActStart, web.ActFed:
		return a.revertStart(ctx, p, h, now)
	default:
		return a.revertEvent(ctx, p, h, now)
	}
}

// revertEvent rebuilds the rise without the event; an end is taken back by
// opening the rise again.
func (a *App) revertEvent(ctx context.Context, p *pipe, h history.Act, now time.Time) error {
	store := a.opt.Store
	r, err := store.Rise(ctx, h.RiseID)
	if err != nil {
		return err
	}
	if !r.UnderWay() {
		if err := store.ReopenRise(ctx, r.ID); err != nil {
			return err
		}
		r.EndedAt = time.Time{}
		r.Phase = ""
		if err := a.forget(ctx, r.Vessel, r.ID); err != nil {
			return err
		}
	}
	acts, err := store.Acts(ctx, r.ID)
	if err != nil {
		return err
	}
	p.reopenSteps(h)
	return p.rebuild(ctx, store, r, undone(acts), now)
}

// reopenSteps takes back the steps that an undone act had closed.
func (p *pipe) reopenSteps(h history.Act) {
	if p.process == nil {
		return
	}
	for _, s := range p.steps {
		m, ok := p.process.Marks[s.ID]
		if ok && m.By == h.By && m.At.Equal(h.At) {
			_ = p.markStep(func(pr *bake.Process) error { return pr.Reopen(s.ID) })
		}
	}
}

// revertStart removes a rise that was started by mistake and takes up the one
// before it, if that was ended by the same act.
func (a *App) revertStart(ctx context.Context, p *pipe, h history.Act, now time.Time) error {
	store := a.opt.Store
	if err := store.DeleteRise(ctx, h.RiseID); err != nil {
		return err
	}
	p.rise, p.process, p.deeds = history.Rise{}, nil, nil
	page, err := store.Rises(ctx, history.Filter{Vessel: p.vessel.Name, Limit: 1})
	if err != nil {
		return err
	}
	if len(page.Rises) == 1 && absDuration(page.Rises[0].EndedAt.Sub(h.At)) < time.Minute {
		r := page.Rises[0]
		if err := store.ReopenRise(ctx, r.ID); err != nil {
			return err
		}
		r.EndedAt = time.Time{}
		acts, err := store.Acts(ctx, r.ID)
		if err != nil {
			return err
		}
		p.deeds = deedsOf(acts)
		return p.rebuild(ctx, store, r, undone(acts), now)
	}
	est, err := estimator.New(estimatorConfig(p.vessel))
	if err != nil {
		return err
	}
	p.est = est
	p.last = est.Estimate(now)
	return nil
}

// absDuration is the size of d.
func absDuration(d time.Duration) time.Duration {
	if d < 0 {
		return -d
	}
	return d
}
