package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/past"
)

// maxActAge is how far back in time an act may be dated.
const maxActAge = 12 * time.Hour

// Act does what a person asked for on the page, through the API or the CLI.
func (a *App) Act(ctx context.Context, act web.Act) error {
	now := a.opt.Clock.Now()
	if act.At.IsZero() || act.At.After(now) {
		act.At = now
	}
	if now.Sub(act.At) > maxActAge {
		return web.Refuse("%s is more than %s ago; such an old act cannot be taken in", act.At.Format(time.RFC3339), maxActAge)
	}
	defer a.bell.ring()
	switch act.Kind {
	case web.ActAck, web.ActSnooze:
		return a.actOnAlarm(ctx, act)
	case web.ActNote, web.ActJudgement:
		return a.judge(ctx, act)
	case web.ActUndo:
		if done, err := a.undoJudging(ctx, act); done {
			return err
		}
	case web.ActPlan:
		return a.adopt(ctx, act, now)
	}
	return a.actOnVessel(ctx, act, now)
}

// actOnVessel does what changes a watch.
func (a *App) actOnVessel(ctx context.Context, act web.Act, now time.Time) error {
	p, err := a.pipe(act.Vessel)
	if err != nil {
		return web.Refuse("%v", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if act.RiseID != 0 && act.RiseID != p.rise.ID {
		return web.Refuse("the page showed another rise than the one that is watched now; reload it and try again")
	}
	if act.Kind == web.ActUndo {
		return a.undo(ctx, p, act, now)
	}
	if err := p.answered(act); err != nil {
		return err
	}
	act = p.startWith(act)
	former := p.rise.TargetPercent
	return p.gathering(act.Kind, func(g *gatherer) error {
		if err := p.perform(act, now); err != nil {
			return err
		}
		return p.keepDeed(ctx, g, act, former)
	})
}

// eventOf maps acts onto what they do to the rise.
func eventOf(k web.ActKind) estimator.Event {
	switch k {
	case web.ActStart, web.ActFed:
		return estimator.Start
	case web.ActFold:
		return estimator.Fold
	case web.ActFridge:
		return estimator.Fridge
	case web.ActCounter:
		return estimator.Counter
	case web.ActShaped, web.ActBaked, web.ActEnd:
		return estimator.End
	}
	return estimator.NoEvent
}

// perform does an act on the vessel.
func (p *pipe) perform(act web.Act, now time.Time) error {
	if e := eventOf(act.Kind); e != estimator.NoEvent {
		if e != estimator.Start && p.rise.ID == 0 {
			return p.withoutRise(act, now)
		}
		fed, err := feedOfAct(act)
		if err != nil {
			return err
		}
		p.keeping.fedAs = fed
		if e == estimator.Start {
			p.named = act.Batch
		}
		p.did(e, later(act.At, p.last.Time), act.By)
		_ = p.stepFor(act, now) // closed already: nothing to mark
		return nil
	}
	switch act.Kind {
	case web.ActTarget:
		if !(act.TargetPercent >= 5 && act.TargetPercent <= 400) {
			return web.Refuse("%g is outside 5 to 400; 100 means doubled", act.TargetPercent)
		}
		if p.rise.ID == 0 {
			return p.withoutRise(act, now)
		}
		p.est.SetTarget(act.TargetPercent)
		p.rise.TargetPercent = act.TargetPercent
		p.keep.update(p.rise)
		p.bulkEndsAt(act.TargetPercent)
		return nil
	case web.ActStepDone:
		return refuse(p.markStep(func(pr *bake.Process) error { return pr.Done(act.StepID, now, act.By) }))
	case web.ActStepSkip:
		return refuse(p.markStep(func(pr *bake.Process) error { return pr.Skip(act.StepID, now, act.By, "left out") }))
	}
	return web.Refuse("%q is not something that can be done here", act.Kind)
}

// withoutRise takes acts that make sense after the rise has ended: the process
// goes on to the oven.
func (p *pipe) withoutRise(act web.Act, now time.Time) error {
	if p.process != nil && (act.Kind == web.ActShaped || act.Kind == web.ActBaked) {
		return refuse(p.stepFor(act, now))
	}
	return web.Refuse("no rise is being watched in %s; start one first", p.vessel.Name)
}

// stepFor marks the process step that an act completes.
func (p *pipe) stepFor(act web.Act, now time.Time) error {
	id, ok := map[web.ActKind]string{web.ActShaped: bake.ShapeID, web.ActBaked: bakedStep}[act.Kind]
	if !ok || p.process == nil {
		return nil
	}
	return p.markStep(func(pr *bake.Process) error { return pr.Done(id, now, act.By) })
}

// bakedStep is the step that ends with the loaf out of the oven.
const bakedStep = bake.OutID

// refuse turns an error about the process into a refusal.
func refuse(err error) error {
	if err == nil {
		return nil
	}
	return web.Refuse("%v", err)
}

// later returns the later of two times.
func later(x, y time.Time) time.Time {
	if x.Before(y) {
		return y
	}
	return x
}

// deedData is what is kept of an act beside its kind.
type deedData struct {
	Vessel        string  `json:"vessel"`
	TargetPercent float64 `json:"target_percent,omitempty"`
	FormerPercent float64 `json:"former_percent,omitempty"`
	StepID        string  `json:"step_id,omitempty"`
	Note          string  `json:"note,omitempty"`
	Outcome       string  `json:"outcome,omitempty"`
	// Former is what a note or judgement replaced.
	Former *history.Judgement `json:"former,omitempty"`
}

// keepDeed writes an act down, with the mark that stood before it; g is nil where
// nothing is stored.
func (p *pipe) keepDeed(ctx context.Context, g *gatherer, act web.Act, formerPercent float64) error {
	rise := p.rise.ID // an end leaves none
	p.estimateNow(later(act.At, p.last.Time))
	if p.rise.ID != 0 {
		rise = p.rise.ID // a start begins one
	}
	d := web.Deed{At: act.At, Kind: act.Kind, By: act.By, CanUndo: canUndo(act.Kind), Detail: detail(act), TargetPc: act.TargetPercent}
	if g != nil && rise != 0 {
		body, err := json.Marshal(deedData{Vessel: p.vessel.Name, TargetPercent: act.TargetPercent, FormerPercent: formerPercent, StepID: act.StepID})
		if err != nil {
			return err
		}
		d.ID = g.keep(ctx, history.Act{RiseID: rise, At: act.At, Kind: string(act.Kind), By: act.By, Data: body})
	}
	if d.ID == 0 {
		d.ID = nextDeed(p.deeds)
	}
	p.deeds = append(p.deeds, d)
	if p.pending() {
		p.keepPlan()
	}
	return nil
}

// markByTable says whether the table by dough temperature decides the mark: the
// vessel has one, and neither a plan nor a person chose otherwise.
func (p *pipe) markByTable() bool {
	return p.vessel.TargetTable != nil && p.plan == nil && !p.markChosen()
}

// markChosen says whether somebody chose the mark of this rise by hand.
func (p *pipe) markChosen() bool {
	return slices.ContainsFunc(p.deeds, func(d web.Deed) bool { return d.Kind == web.ActTarget })
}

// canUndo says which acts can be taken back.
func canUndo(k web.ActKind) bool {
	switch k {
	case web.ActUndo, web.ActAck, web.ActSnooze:
		return false
	}
	return true
}

// detail is what to show of an act beside its name.
func detail(act web.Act) string {
	switch act.Kind {
	case web.ActTarget:
		return fmt.Sprintf("%g %%", act.TargetPercent)
	case web.ActStepDone, web.ActStepSkip:
		return act.StepID
	case web.ActNote:
		return act.Note
	case web.ActJudgement:
		return past.OutcomeWord(act.Judgement.Outcome)
	}
	return ""
}
