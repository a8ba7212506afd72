package app

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// undo takes an act back. What the act did to the rise is removed by feeding the
// stored samples in again without it.
func (a *App) undo(ctx context.Context, p *pipe, act web.Act, now time.Time) error {
	if a.opt.Store == nil && !p.pending() {
		return web.Refuse("no history is kept here, so nothing can be taken back")
	}
	i := len(p.deeds) - 1
	for i >= 0 && (!p.deeds[i].CanUndo || (act.UndoID != 0 && p.deeds[i].ID != act.UndoID)) {
		i--
	}
	if i < 0 {
		return web.Refuse("there is nothing of this rise left to take back")
	}
	d := p.deeds[i]
	if p.pending() {
		return a.undoPending(ctx, p, d)
	}
	if isJudging(d.Kind) && slices.ContainsFunc(p.deeds[i+1:], func(d web.Deed) bool { return isJudging(d.Kind) }) {
		return laterStands()
	}
	h, err := a.opt.Store.Act(ctx, d.ID)
	if err != nil {
		return web.Refuse("%v", err)
	}
	if h.Undone {
		return web.Refuse("this was taken back already")
	}
	h.Undone = true
	former := p.deeds
	p.deeds = append(p.deeds[:i:i], p.deeds[i+1:]...)
	if eventOf(d.Kind) == estimator.Start {
		return a.revertStart(ctx, p, h, now)
	}
	if err := a.takeBack(ctx, p, h, now); err != nil {
		p.deeds = former
		return err
	}
	return nil
}

// takeBack removes the effect of an act that is being undone, and stores that together.
func (a *App) takeBack(ctx context.Context, p *pipe, h history.Act, now time.Time) error {
	reopened := false
	err := p.gathering(web.ActUndo, func(g *gatherer) error {
		if err := a.revert(ctx, p, g, h, now); err != nil {
			return err
		}
		reopened = g.deed.Reopened
		g.keep(ctx, h)
		return nil
	})
	if err == nil && reopened {
		err = a.forget(ctx, p, h.RiseID)
	}
	return err
}

// revert removes the effect of an act that is being undone. What it changes is held
// back in g.
func (a *App) revert(ctx context.Context, p *pipe, g *gatherer, h history.Act, now time.Time) error {
	var data deedData
	if len(h.Data) > 0 {
		if err := json.Unmarshal(h.Data, &data); err != nil {
			return err
		}
	}
	switch web.ActKind(h.Kind) {
	case web.ActNote, web.ActJudgement:
		return a.putBack(ctx, h.RiseID, data)
	case web.ActTarget:
		return p.revertMark(ctx, a.opt.Store, data.FormerPercent, now)
	case web.ActStepDone, web.ActStepSkip:
		return refuse(p.markStep(func(pr *bake.Process) error { return pr.Reopen(data.StepID) }))
	default:
		return a.revertEvent(ctx, p, g, h, now)
	}
}

// revertMark puts the former mark back. Where a table by temperature decides, the
// rise is built anew, so that its phases are those of the table's mark.
func (p *pipe) revertMark(ctx context.Context, store *history.Store, formerPercent float64, now time.Time) error {
	p.rise.TargetPercent = formerPercent
	p.keep.update(p.rise)
	p.bulkEndsAt(formerPercent)
	if !p.markByTable() {
		p.est.SetTarget(formerPercent)
		return nil
	}
	acts, err := store.Acts(ctx, p.rise.ID)
	if err != nil {
		return err
	}
	return p.rebuild(ctx, store, p.rise, undone(acts), now)
}

// revertEvent rebuilds the rise without the event; an end is taken back by
// opening the rise again.
func (a *App) revertEvent(ctx context.Context, p *pipe, g *gatherer, h history.Act, now time.Time) error {
	store := a.opt.Store
	r, err := store.Rise(ctx, h.RiseID)
	if err != nil {
		return err
	}
	if !r.UnderWay() {
		r.EndedAt, r.Phase = time.Time{}, ""
		g.reopen(r)
	}
	acts, err := store.Acts(ctx, r.ID)
	if err != nil {
		return err
	}
	p.reopenSteps(h)
	return p.rebuild(ctx, store, r, undone(append(acts, h)), now)
}

// reopen takes the end of a rise back, with what the rise taught.
func (a *App) reopen(ctx context.Context, p *pipe, r *history.Rise) error {
	if err := a.opt.Store.ReopenRise(ctx, r.ID); err != nil {
		return err
	}
	r.EndedAt = time.Time{}
	return a.forget(ctx, p, r.ID)
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
// before it, if that was ended by the same act. A vessel with a plan stands before
// its dough again.
func (a *App) revertStart(ctx context.Context, p *pipe, h history.Act, now time.Time) error {
	// First, so that it is not lost when the process is killed in between: of two that
	// are under way the older one goes on.
	again, err := a.reopenFormer(ctx, p, h)
	if err != nil {
		return err
	}
	if err := a.opt.Store.DeleteRise(ctx, h.RiseID); err != nil {
		return err
	}
	p.rise, p.process, p.processRise, p.deeds = history.Rise{}, nil, 0, nil
	if !p.revertPlanned(h.RiseID) && again.ID != 0 {
		return a.takeUpAgain(ctx, p, again, now)
	}
	p.autoStart = false // the household says when: it has just taken a start back
	est, err := p.newEstimator()
	if err != nil {
		return err
	}
	p.est, p.cold = est, false
	p.last = est.Estimate(now)
	return nil
}

// reopenFormer reopens the rise that a mistaken start had ended, unless the start was
// that of a plan. A rise without an ID is none.
func (a *App) reopenFormer(ctx context.Context, p *pipe, start history.Act) (history.Rise, error) {
	if p.plan != nil && p.plan.Rise == start.RiseID {
		return history.Rise{}, nil
	}
	page, err := a.opt.Store.Rises(ctx, history.Filter{Vessel: p.vessel.Name, Limit: 2})
	if err != nil {
		return history.Rise{}, err
	}
	for _, r := range page.Rises {
		if r.ID != start.RiseID && !r.UnderWay() && r.EndedAt.Sub(start.At).Abs() < time.Minute {
			err := a.reopen(ctx, p, &r)
			return r, err
		}
	}
	return history.Rise{}, nil
}

// takeUpAgain goes on with a rise that a mistaken start had ended.
func (a *App) takeUpAgain(ctx context.Context, p *pipe, r history.Rise, now time.Time) error {
	if err := errors.Join(a.takeProcess(ctx, p, r.ID), a.takePlan(ctx, p, r)); err != nil {
		return err
	}
	acts, err := a.opt.Store.Acts(ctx, r.ID)
	if err != nil {
		return err
	}
	p.deeds = deedsOf(acts)
	return p.rebuild(ctx, a.opt.Store, r, undone(acts), now)
}
