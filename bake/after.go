package bake

import (
	"time"

	"tidemark/estimator"
)

// AfterStage is where a bake stands after its bulk.
type AfterStage string

// The stages after the bulk.
const (
	Proofing  AfterStage = "proofing"
	Proofed   AfterStage = "proofed" // ready for the oven
	Baking    AfterStage = "baking"
	LoafDone  AfterStage = "done" // still in the oven, the core in the done range
	Cooling   AfterStage = "cooling"
	Sliceable AfterStage = "sliceable"
)

// After is what to say of a bake after its bulk. Numbers that are not known are
// NaN.
type After struct {
	Stage AfterStage
	Since time.Time        // of the stage
	Until estimator.Window // end of the proof, of the bake or of the cooling
	Basis ProofBasis       // of a proof
	Why   Sentences        // what Until rests on
	// Probe reports whether the loaf is followed by a probe in it.
	Probe   bool
	CoreC   float64
	Done    Core // how hot a done loaf is
	DoneAt  time.Time
	SliceC  float64
	Caution Sentences
}

// after tells where the bake stands after its bulk, from the steps as they are
// laid out now. ok is false before the final proof and once the loaf is sliced.
func (p *Process) after(now time.Time, steps []Step) (After, bool) {
	t := &p.Track
	a := After{CoreC: p.coreNow(now), Done: t.Done, DoneAt: t.DoneAt, SliceC: sliceCoreC, Probe: len(t.Core) > 0}
	if a.Done == (Core{}) {
		a.Done = p.Batch.doneCore(0)
	}
	switch out, baking := stepIn(steps, OutID), p.Marks[BakeID]; {
	case p.closed(SliceID):
		return After{}, false
	case out.State == Done:
		return a.cooling(stepIn(steps, SliceID), out, p.coolBasis()), true
	case p.loaded():
		open, _ := p.def(UncoverID)
		return a.baking(out, begunOf(baking), cautions(open.Warn...)), true
	}
	return p.proofing(a, stepIn(steps, ProofID))
}

// coolBasis says what the time to slice rests on.
func (p *Process) coolBasis() string {
	switch {
	case !p.Track.CoolBy.IsZero():
		return "why.probe"
	case p.Batch.ryePercent() >= ryeRichPercent:
		return "why.rye"
	case len(p.Track.Core) > 0:
		return "why.weight.probe"
	}
	return "why.weight"
}

// cooling is a loaf out of the oven.
func (a After) cooling(slice, out Step, why string) After {
	a.Stage, a.Since, a.Why, a.Caution = Cooling, out.Finished, say(why), cautions("loaf")
	a.Until = slice.window()
	if slice.State == DueNow {
		a.Stage, a.Since, a.Caution = Sliceable, slice.At, nil
	}
	return a
}

// baking is a loaf in the oven.
func (a After) baking(out Step, since time.Time, caution Sentences) After {
	a.Stage, a.Since, a.Caution, a.Why = Baking, since, caution, say("why.clock")
	a.Until = out.window()
	if !a.DoneAt.IsZero() {
		a.Stage, a.Since, a.Why, a.Caution = LoafDone, a.DoneAt, say("why.probe"), cautions("loaf")
	}
	return a
}

// proofing is a shaped loaf.
func (p *Process) proofing(a After, step Step) (After, bool) {
	if step.ID == "" {
		return After{}, false
	}
	a.Until, a.Basis = p.Track.ProofBy, p.Track.ProofBasis
	if a.Basis != "" {
		a.Why = Sentences{p.Track.ProofWhy}
	}
	begun, under := p.proofBegun()
	switch {
	case step.State == Done:
		a.Stage, a.Since, a.Until = Proofed, step.Finished, estimator.Window{}
		a.Why, a.Basis = nil, ""
		return a, true
	case !under:
		return After{}, false
	case step.State == DueNow:
		a.Stage, a.Since = Proofed, step.At
		return a, true
	}
	a.Stage, a.Since = Proofing, begun
	if a.Until.IsZero() {
		a.Until = step.window()
	}
	return a, true
}
