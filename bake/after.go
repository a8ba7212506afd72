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
// laid out now; nil before the final proof and once the loaf is sliced.
func (p *Process) after(now time.Time, steps []Step) *After {
	t := &p.Track
	a := &After{CoreC: p.coreNow(now), Done: t.Done, DoneAt: t.DoneAt, SliceC: sliceCoreC, Probe: len(t.Core) > 0}
	if a.Done == (Core{}) {
		a.Done = p.Batch.doneCore(0)
	}
	stands := func(stage AfterStage, since time.Time, until estimator.Window, why, caution Sentences) *After {
		a.Stage, a.Since, a.Until, a.Why, a.Caution = stage, since, until, why, caution
		return a
	}
	proof, out, slice := stepIn(steps, ProofID), stepIn(steps, OutID), stepIn(steps, SliceID)
	begun, proving := p.proofBegun()
	switch {
	case p.closed(SliceID):
		return nil
	case out.State == Done && slice.State == DueNow:
		return stands(Sliceable, slice.At, slice.window(), say(p.coolBasis()), nil)
	case out.State == Done:
		return stands(Cooling, out.Finished, slice.window(), say(p.coolBasis()), cautions("loaf"))
	case p.loaded() && !t.DoneAt.IsZero():
		return stands(LoafDone, t.DoneAt, out.window(), say("why.probe"), cautions("loaf"))
	case p.loaded():
		open, _ := p.def(UncoverID)
		return stands(Baking, begunOf(p.Marks[BakeID]), out.window(), say("why.clock"), cautions(open.Warn...))
	case proof.State == Done:
		return stands(Proofed, proof.Finished, estimator.Window{}, nil, nil)
	case !proving:
		return nil
	}
	by := proof.window()
	if a.Basis = t.ProofBasis; a.Basis != "" {
		by, a.Why = t.ProofBy, Sentences{t.ProofWhy}
	}
	if proof.State == DueNow {
		return stands(Proofed, proof.At, by, a.Why, nil)
	}
	return stands(Proofing, begun, by, a.Why, nil)
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
