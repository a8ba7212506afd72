package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/bake/heat"
	"tidemark/bake/planner"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// planPrefix is where the settings keep the plan of each vessel.
const planPrefix = "plan/"

// followed is a plan that a vessel follows, as it is kept. Until its dough is in
// the tub it holds the steps itself; from then on they belong to the rise.
type followed struct {
	Way     string           `json:"way"`
	Adopted time.Time        `json:"adopted"`
	Wanted  time.Time        `json:"wanted"`
	Planned estimator.Window `json:"planned"` // ready, as the plan had it
	Fridge  heat.Fridge      `json:"fridge"`
	Total   float64          `json:"total_percent"` // the rise a night in the cold is to end at
	Rise    int64            `json:"rise"`          // 0 until the dough is in the tub

	Process bake.Process `json:"process"` // as it stood before the rise
	Deeds   []web.Deed   `json:"deeds"`

	Said   string    `json:"said,omitempty"` // what the live rise changed last
	SaidAt time.Time `json:"said_at"`

	Former     *followed `json:"former,omitempty"` // what it took the place of
	FormerRise int64     `json:"former_rise,omitempty"`

	looked time.Time // when the live rise was last asked
}

// staleAfter is how long after the bread was wanted a plan that never began is
// still kept.
const staleAfter = 24 * time.Hour

// pending says whether the vessel follows a plan whose dough is not in it yet.
func (p *pipe) pending() bool { return p.plan != nil && p.plan.Rise == 0 }

// adopt lets a vessel follow the plan that an act names.
func (a *App) adopt(ctx context.Context, act web.Act, now time.Time) error {
	if act.Plan == nil {
		return web.Refuse("say which plan: the wish is missing")
	}
	w := *act.Plan
	w.Vessel = act.Vessel
	p, err := a.pipe(act.Vessel)
	if err != nil {
		return web.Refuse("%v", err)
	}
	a.planner.mu.Lock()
	wish, made, err := a.planner.plan(ctx, w)
	a.planner.mu.Unlock()
	var field bake.FieldError
	if errors.As(err, &field) {
		return web.Refuse("%v", err)
	}
	if err != nil {
		return err
	}
	i := slices.IndexFunc(made.Plans, func(x planner.Plan) bool { return x.Name == w.Way })
	if i < 0 || len(made.Plans[i].Steps) == 0 {
		return web.Refuse("there is no way %q to this bread any more; plan again", w.Way)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.rise.ID != 0 {
		return web.Refuse("a rise is under way in %s; end it first, or take the plan on for another vessel", p.vessel.Name)
	}
	return p.take(newFollowed(wish, made.Plans[i], now), act.By, now)
}

// newFollowed is a plan as a vessel begins to follow it.
func newFollowed(w planner.Wish, plan planner.Plan, now time.Time) *followed {
	return &followed{
		Way: plan.Name, Adopted: now, Wanted: w.ReadyAt, Fridge: w.Fridge(),
		Total: plan.TotalPercent, Process: plan.Adopted(),
	}
}

// take puts a plan in the place of what the vessel followed before.
func (p *pipe) take(f *followed, by string, now time.Time) error {
	f.FormerRise = p.processRise
	if p.plan != nil {
		former := *p.plan
		former.Former = nil // one step back is enough
		f.Former = &former
	}
	f.Deeds = []web.Deed{{ID: now.Unix(), At: now, Kind: web.ActPlan, By: by, CanUndo: true, Detail: f.Way}}
	if err := p.silence(); err != nil {
		return err
	}
	p.restore(f)
	p.followProcess(now)
	f.Planned = readyOf(p.steps) // as its steps are laid out, to be compared with later
	p.keepPlan()
	return nil
}

// silence lets no rise begin by itself: the household says when the dough of its
// plan is in the tub.
func (p *pipe) silence() error {
	if !p.autoStart {
		return nil
	}
	p.autoStart = false
	est, err := p.newEstimator()
	if err != nil {
		return err
	}
	p.est = est
	return nil
}

// restore lets the vessel stand before its dough, with a plan.
func (p *pipe) restore(f *followed) {
	pr := copied(f.Process)
	p.plan, p.process, p.processRise, p.deeds = f, &pr, 0, slices.Clone(f.Deeds)
}

// copied is a process that shares nothing with the first.
func copied(pr bake.Process) bake.Process {
	pr.Defs, pr.Marks = slices.Clone(pr.Defs), maps.Clone(pr.Marks)
	return pr
}

// keepPlan writes the plan down, with its steps while the dough is not there.
func (p *pipe) keepPlan() {
	if p.pending() {
		p.plan.Process, p.plan.Deeds = copied(*p.process), slices.Clone(p.deeds)
	}
	p.keep.plan(p.vessel.Name, p.plan)
}

// keepProcess writes the steps down where they belong.
func (p *pipe) keepProcess() {
	if p.pending() {
		p.keepPlan()
		return
	}
	p.keep.process(p.processRise, *p.process)
}

// followProcess moves the steps on to now: with the plan, while there is one.
func (p *pipe) followProcess(now time.Time) {
	p.steps = nil
	if p.pending() && now.Sub(p.plan.Wanted) > staleAfter {
		p.plan, p.process, p.deeds = nil, nil, nil
		p.keepPlan()
	}
	if p.process == nil {
		return
	}
	e := p.ownEstimate()
	if len(p.process.Record(now, e)) > 0 {
		p.keepProcess()
	}
	p.replan(now)
	p.layOut(now)
}

// layOut lists the steps as they stand at now.
func (p *pipe) layOut(now time.Time) {
	p.steps = nil
	if p.process != nil {
		p.steps = p.process.Steps(now, p.ownEstimate())
	}
}

// ownEstimate is the estimate as the process may see it: neither a rise from
// before a pending plan is its own, nor the air where the empty vessel stands.
func (p *pipe) ownEstimate() estimator.Estimate {
	if !p.pending() {
		return p.last
	}
	return estimator.Estimate{Time: p.last.Time, Phase: estimator.Idle, DoughC: nan(), AirC: nan(), RisePercent: nan()}
}

// beginPlanned turns a pending plan into the process of the rise that begins.
func (p *pipe) beginPlanned(at time.Time) bool {
	if !p.pending() {
		p.plan = nil // of the rise before; it stays written down for taking this start back
		return false
	}
	p.keepPlan() // as it stood
	pr := copied(*p.process)
	if at.Before(pr.Started) {
		pr.Started = at
	}
	_ = pr.Done(saltStep, at, "start of the rise") // may be done already
	p.process, p.processRise = &pr, 0
	return true
}

// planBegan ties a plan to the rise of its dough.
func (p *pipe) planBegan() {
	if p.pending() {
		p.plan.Rise = p.rise.ID
		p.keepPlan()
	}
}

// planMark is the rise at which the bulk of the plan ends; 0 when there is none
// of its own.
func (p *pipe) planMark() float64 {
	if p.plan == nil || p.process == nil {
		return 0
	}
	for _, d := range p.process.Defs {
		if d.ID == bake.BulkID {
			return d.RisePercent
		}
	}
	return 0
}

// beyond is the rise up to which the plan must see ahead: what a night in the cold
// is to end at; 0 without one.
func (p *pipe) beyond() float64 {
	if p.plan == nil || p.process == nil || !slices.ContainsFunc(p.process.Defs, func(d bake.StepDef) bool { return d.ID == bake.RetardID }) {
		return 0
	}
	return p.plan.Total
}

// bulkEndsAt lets the bulk of a plan end at the mark that somebody chose.
func (p *pipe) bulkEndsAt(percent float64) {
	if p.planMark() == 0 {
		return
	}
	for _, d := range p.process.Defs {
		if d.ID != bake.BulkID {
			continue
		}
		d.RisePercent = percent
		d.Do = fmt.Sprintf("Leave the dough until it has risen by %.0f %%.", percent)
		if p.process.Change(d) == nil { // a bulk that is over stays as it was
			p.keepProcess()
		}
		return
	}
}

// replanEvery is how often the live rise is asked about the plan.
const replanEvery = time.Minute

// replan lets the bulk of a plan end where the real rise, with what the cold
// still adds, lands on target; the vessel's mark follows. A mark chosen by hand
// stands, and so does one that is reached.
func (p *pipe) replan(now time.Time) {
	if p.plan == nil || p.rise.ID == 0 || p.plan.Rise != p.rise.ID || now.Sub(p.plan.looked) < replanEvery || !p.speaks() {
		return
	}
	p.plan.looked = now
	said, err := planner.Replan(p.process, p.last, p.plan.Fridge, p.plan.Total)
	if err != nil || said == "" {
		return // no forecast that reaches so far: the plan stands
	}
	p.plan.Said, p.plan.SaidAt = said, now
	p.setMark(p.planMark())
	p.keepProcess()
	p.keepPlan()
}

// replanFrom is the rise in percent from which the real dough says more than the
// plan: before, the forecast rests on what is usual. This project's choice.
const replanFrom = 10

// speaks says whether the live rise may move the end of the bulk.
func (p *pipe) speaks() bool {
	e := &p.last
	seen := e.Quality == estimator.QualityOK && (e.Phase == estimator.Rising || e.Phase == estimator.Near)
	return seen && e.RisePercent >= replanFrom && !e.ReadyIsPast && !p.markChosen()
}

// setMark moves the mark of the rise under way.
func (p *pipe) setMark(percent float64) {
	p.est.SetTarget(percent)
	p.rise.TargetPercent = percent
	p.keep.update(p.rise)
}

// planNow is how the plan stands, for the rules.
func (p *pipe) planNow() alert.Plan {
	if p.plan == nil {
		return alert.Plan{}
	}
	return alert.Plan{Wanted: p.plan.Wanted, Planned: p.plan.Planned.Median, Ready: readyOf(p.steps)}
}

// readyOf is when the bread can be sliced; zero when that is past.
func readyOf(steps []bake.Step) estimator.Window {
	for _, s := range steps {
		if s.ID == bake.SliceID && s.State != bake.Done && s.State != bake.Skipped {
			return estimator.Window{From: s.From, Median: s.At, Until: s.Until}
		}
	}
	return estimator.Window{}
}

// planForWeb is the plan as a page shows it; nil without one.
func (p *pipe) planForWeb() *web.PlanState {
	if p.plan == nil {
		return nil
	}
	f := p.plan
	return &web.PlanState{Way: f.Way, Wanted: f.Wanted, Planned: f.Planned, Ready: readyOf(p.steps), Pending: p.pending(), Said: f.Said, SaidAt: f.SaidAt}
}

// startWith turns "the salt is in, the dough is in the tub" of a pending plan
// into the start of the rise, which that step asks for.
func (p *pipe) startWith(act web.Act) web.Act {
	if p.pending() && act.Kind == web.ActStepDone && act.StepID == saltStep {
		act.Kind = web.ActStart
	}
	return act
}

// answered refuses a step as done whose question has no answer.
func (p *pipe) answered(act web.Act) error {
	if act.Kind != web.ActStepDone || act.Answer != "" {
		return nil
	}
	for _, s := range p.steps {
		if s.ID == act.StepID && s.Question != "" {
			return web.Refuse("answer first: %s", s.Question)
		}
	}
	return nil
}

// undoPending takes back what was done since a plan was taken on, or the plan.
func (a *App) undoPending(ctx context.Context, p *pipe, d web.Deed) error {
	switch d.Kind {
	case web.ActPlan:
		return a.dropPlan(ctx, p)
	case web.ActStepDone, web.ActStepSkip:
		if err := p.process.Reopen(d.Detail); err != nil { // the detail of such a deed is its step
			return web.Refuse("%v", err)
		}
	}
	p.deeds = slices.DeleteFunc(p.deeds, func(x web.Deed) bool { return x.ID == d.ID })
	p.keepPlan()
	return nil
}

// dropPlan puts back what the vessel followed before its plan.
func (a *App) dropPlan(ctx context.Context, p *pipe) error {
	f := p.plan
	p.plan, p.process, p.processRise, p.deeds = nil, nil, 0, nil
	defer func() { p.keep.plan(p.vessel.Name, p.plan) }()
	switch {
	case f.Former != nil && f.Former.Rise == 0:
		p.restore(f.Former)
	case f.FormerRise != 0 && a.opt.Store != nil:
		p.plan = f.Former
		return a.takeProcess(ctx, p, f.FormerRise)
	}
	return nil
}

// revertPlanned lets a vessel whose start was taken back stand before its dough
// again; false when that rise was of no plan.
func (p *pipe) revertPlanned(rise int64) bool {
	if p.plan == nil || p.plan.Rise != rise {
		return false
	}
	p.plan.Rise = 0
	p.restore(p.plan)
	p.keepPlan()
	return true
}

// takePlan reads the plan that a vessel follows: one whose dough is not there yet,
// or that of the rise whose steps go on, r. The pipe is locked.
func (a *App) takePlan(ctx context.Context, p *pipe, r history.Rise) error {
	body, err := a.opt.Store.Settings().Get(ctx, planPrefix+p.vessel.Name)
	if errors.Is(err, history.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	f := new(followed)
	if err := json.Unmarshal(body, f); err != nil {
		return fmt.Errorf("the stored plan cannot be read: %w", err)
	}
	switch under := r.ID != 0 && r.UnderWay(); {
	case f.Rise != 0 && f.Rise == r.ID:
		p.plan = f
	case f.Rise == 0 && !under:
		p.restore(f)
		return p.silence()
	case f.Rise == 0 && !r.StartedAt.Before(f.Adopted):
		p.begunUnwritten(f, r) // the power went as the rise began
	}
	return nil
}

// begunUnwritten ties a plan to the rise that began when it could not be written.
func (p *pipe) begunUnwritten(f *followed, r history.Rise) {
	f.Rise, p.plan = r.ID, f
	if p.process == nil {
		pr := copied(f.Process)
		_ = pr.Done(saltStep, r.StartedAt, "start of the rise") // may be done already
		p.process, p.processRise = &pr, r.ID
		p.keepProcess()
	}
	p.keepPlan()
}

// nextDeed is an ID that no deed of the vessel has.
func nextDeed(deeds []web.Deed) int64 {
	id := int64(0)
	for _, d := range deeds {
		id = max(id, d.ID)
	}
	return min(id, math.MaxInt64-1) + 1
}
