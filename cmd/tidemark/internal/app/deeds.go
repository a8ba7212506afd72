package app

import (
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Did tells a vessel what a person did to it.
func (a *App) Did(vessel string, e estimator.Event, at time.Time, by string) error {
	p, err := a.pipe(vessel)
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.did(e, at, by)
	return nil
}

// did feeds an event into the estimator and marks the step it belongs to.
func (p *pipe) did(e estimator.Event, at time.Time, by string) {
	if e == estimator.Start {
		p.told = true
		p.beginProcess(at)
		mark := p.vessel.TargetPercent // a mark chosen by hand was the last rise's
		switch own := p.planMark(); {
		case own > 0:
			mark = own
		case p.vessel.TargetTable != nil:
			mark = 0 // the table decides
		}
		p.est.SetFanTo(p.beyond())
		p.est.SetTarget(mark)
	}
	p.observe(eventOnly(at, e))
	if id := p.stepOf(e); id != "" {
		_ = p.markStep(func(pr *bake.Process) error { return pr.Done(id, at, by) }) // closed already: nothing to mark
	}
}

// beginProcess attaches the process of the vessel's plan or batch to a new rise. A
// vessel without a batch has none: nobody said what is being baked.
func (p *pipe) beginProcess(at time.Time) {
	if p.beginPlanned(at) {
		return
	}
	p.process, p.processRise = nil, 0
	if p.vessel.Batch == nil || p.vessel.Holds != estimator.Dough || !p.usualBatch() {
		return
	}
	pr := processFor(*p.vessel.Batch, at, finiteOr(p.last.AirC, 0))
	p.process = &pr
}

// beforeTub is how long the steps up to the filled tub take in the default
// step list; the rise starts when they are done.
const (
	beforeTub = 45 * time.Minute
	saltStep  = "salt" // the last of them
)

// processFor lays out the default steps for a batch whose dough went into the
// tub just now.
func processFor(b bake.Batch, at time.Time, roomC float64) bake.Process {
	pr := bake.DefaultProcess(at.Add(-beforeTub), roomC).WithBatch(b)
	_ = pr.Done(saltStep, at, "start of the rise") // closes mixing and rest as well
	return pr
}

// stepOf finds the open step that an event completes.
func (p *pipe) stepOf(e estimator.Event) string {
	if p.process != nil && e == estimator.End {
		return bake.BulkID
	}
	if p.process == nil || e != estimator.Fold {
		return ""
	}
	i := slices.IndexFunc(p.steps, func(s bake.Step) bool {
		return s.Name == "fold" && s.State != bake.Done && s.State != bake.Skipped
	})
	if i < 0 {
		return ""
	}
	return p.steps[i].ID
}

// markStep changes the process and keeps it.
func (p *pipe) markStep(change func(*bake.Process) error) error {
	if p.process == nil {
		return fmt.Errorf("vessel %s follows no process; start a rise with a batch first", p.vessel.Name)
	}
	if err := change(p.process); err != nil {
		return err
	}
	p.keepProcess()
	return nil
}

// DueSteps returns the steps that have been due since before and wait for a
// person: those that need hands, and rises that only a person can judge over.
func (a *App) DueSteps(vessel string, before time.Time) []bake.Step {
	p, err := a.pipe(vessel)
	if err != nil {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []bake.Step
	for _, s := range p.steps {
		if (s.Hands || s.Trigger == bake.ByRise) && s.State == bake.DueNow && s.At.Before(before) {
			out = append(out, s)
		}
	}
	return out
}

// StepBegun records that a person began a step.
func (a *App) StepBegun(vessel, id string, at time.Time, by string) error {
	return a.step(vessel, func(pr *bake.Process) error { return pr.Begin(id, at, by) })
}

// StepSkipped records that a person left a step out, and why.
func (a *App) StepSkipped(vessel, id string, at time.Time, by, why string) error {
	return a.step(vessel, func(pr *bake.Process) error { return pr.Skip(id, at, by, why) })
}

// StepDone records that a person did a step.
func (a *App) StepDone(vessel, id string, at time.Time, by string) error {
	return a.step(vessel, func(pr *bake.Process) error { return pr.Done(id, at, by) })
}

// step changes the process of a vessel.
func (a *App) step(vessel string, change func(*bake.Process) error) error {
	p, err := a.pipe(vessel)
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.markStep(change)
}

// pipe finds a vessel.
func (a *App) pipe(vessel string) (*pipe, error) {
	p := a.pipes[vessel]
	if p == nil {
		return nil, fmt.Errorf("no vessel %q is configured", vessel)
	}
	return p, nil
}
