package bake

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Well-known steps: other packages look for them by these IDs.
const (
	MixID       = "mix"
	saltID      = "salt"
	divideID    = "divide"
	BulkID      = "bulk"
	ShapeID     = "shape"
	ProofID     = "proof"
	RetardID    = "retard"
	OvenCheckID = "oven-check"
	PreheatID   = "preheat"
	BakeID      = "bake-covered"
	UncoverID   = "bake-uncovered"
	OutID       = "out"
	coolID      = "cool"
	SliceID     = "slice"
)

// DefaultBatch is the batch of the default bread: three loaves of our own
// invention, 74 % hydration, 10 % of the flour fermented, 2 % salt.
func DefaultBatch() Batch {
	return Batch{
		Name:   "Harbour loaf",
		Flours: []Flour{{Name: "strong white wheat", Grams: 720}, {Name: "whole rye", Grams: 180, Whole: true}},
		WaterG: 640, Levain: Levain{Grams: 200, HydrationPercent: 100}, SaltG: 20, Loaves: 3,
	}
}

// NewProcess returns the steps of a batch baked on the same day, by its kind, what
// it bakes in and how many loaves go in at once. Pauses are common practice, no
// source. start is when mixing begins, roomC the expected temperature of the place
// (0 when not known).
func NewProcess(b Batch, start time.Time, roomC float64) Process {
	p := Process{Name: b.Name, Started: start, Batch: b, RoomC: roomC}
	kind, o := b.Kind(), b.Oven()
	p.Defs = append(p.Defs, mixSteps(b, kind)...)
	p.Defs = append(p.Defs, shapeSteps(b, kind, o)...)
	p.Defs = append(p.Defs, ovenSteps(b, kind, o)...)
	return p
}

// Edit changes a step; nothing happens without it.
func (p *Process) Edit(id string, change func(*StepDef)) {
	if i := p.index(id); i >= 0 {
		p.Defs = slices.Clone(p.Defs)
		change(&p.Defs[i])
	}
}

// TubID is the night of the whole tub in the refrigerator.
const TubID = "tub-cold"

// TubRetarded is the process with the tub in the refrigerator for a night: the bulk goes
// on there, and the dough is shaped cold, without a rest between.
func (p Process) TubRetarded() Process {
	i := p.index(BulkID)
	cold := StepDef{ID: TubID, Key: "tub.cold", Trigger: ByClock, Warn: []string{"cold"}}
	p.Defs = slices.Insert(slices.Clone(p.Defs), i+1, cold)
	p.Defs = slices.DeleteFunc(p.Defs, func(d StepDef) bool { return d.ID == "bench-rest" })
	p.Edit(divideID, func(d *StepDef) { d.Key = strings.Replace(d.Key, "divide", "divide.cold", 1) })
	return p
}

// Retarded is the process with a night in the refrigerator in the place of its final
// proof.
func (p Process) Retarded() Process {
	p.Edit(ProofID, func(d *StepDef) {
		*d = StepDef{ID: RetardID, Key: "retard", Trigger: ByClock, Warn: []string{"cold"}}
	})
	p.Defs = slices.DeleteFunc(slices.Clone(p.Defs), func(d StepDef) bool { return d.ID == WaitID })
	return p
}

// WaitID is the step of the loaves that bake later. Its words leave open whether the
// refrigerator has room for them; a plan knows.
const WaitID = "wait-cold"

// folds are when the folds come, counted from each other.
const folds, foldEveryMin = 4, 30

// RyeRisePercent is where the bulk of a dough rich in rye ends: 30 to 50 %,
// common practice, no source.
const RyeRisePercent = 40

// mixSteps leads from mixing to the end of the bulk.
func mixSteps(b Batch, kind Kind) []StepDef {
	bulk := StepDef{ID: BulkID, Key: "bulk", Trigger: ByRise, Stage: Bulk, Since: MixID}
	if kind == Rye {
		bulk.Key, bulk.RisePercent, bulk.Values = "bulk.rye", RyeRisePercent, Values{"rise_percent": float64(RyeRisePercent)}
		bulk.Usual = b.usualBulk(RyeRisePercent)
		return []StepDef{
			{ID: MixID, Key: "mix.rye", Trigger: ByClock, TakesMin: 10, Hands: true, Warn: []string{"flour"}},
			{ID: saltID, Key: "salt.rye" + b.more(solids, ".inclusions"), Trigger: ByClock, TakesMin: 5, Hands: true},
			bulk,
		}
	}
	bulk.Usual = b.usualBulk(usualMarkPercent)
	salt := StepDef{ID: saltID, Key: "salt" + b.more(fat|sugar|egg, ".some"), Trigger: ByClock, TakesMin: 5, Hands: true}
	if kind == Rich {
		salt.Key, salt.TakesMin = "salt.rich", 15
	}
	defs := []StepDef{
		{ID: MixID, Key: "mix" + b.more(liquid, ".milky"), Trigger: ByClock, TakesMin: 10, Hands: true, Warn: []string{"flour"}},
		{ID: "rest", Key: "rest", Trigger: ByClock, TakesMin: 30},
		salt,
	}
	for i := 1; i <= folds; i++ {
		if kind == Rich && i > 2 {
			break // butter and a kneaded dough need no more
		}
		f := StepDef{ID: fmt.Sprintf("fold-%d", i), Key: "fold", Trigger: ByClock, WaitMin: foldEveryMin, TakesMin: 3, Hands: true, Stage: Bulk, Droppable: true}
		if i == 2 {
			f.Key += b.more(solids, ".inclusions")
		}
		defs = append(defs, f)
	}
	return append(defs, bulk)
}

// more returns the end of a key for a dough that holds any of the traits, else nothing.
func (b Batch) more(t trait, end string) string {
	if b.sum(t) > 0 {
		return end
	}
	return ""
}

// solids are the inclusions that are folded in.
const solids = nuts | sesame | plain | peanut

// shapeSteps leads from the bulk to the end of the final proof.
func shapeSteps(b Batch, kind Kind, o Oven) []StepDef {
	proof := StepDef{ID: ProofID, Key: "proof", Trigger: ByRise, Stage: Proof, Since: ShapeID, Usual: usualProof()}
	shape := StepDef{ID: ShapeID, Key: "shape", Trigger: ByClock, TakesMin: 10, Hands: true}
	divide := StepDef{ID: divideID, Key: "divide", Trigger: ByClock, TakesMin: 5, Hands: true, Warn: []string{"flour"}}
	if b.Loaves == 1 {
		divide.Key = "divide.one"
	}
	rest := StepDef{ID: "bench-rest", Key: "bench-rest", Trigger: ByClock, TakesMin: 25}
	shape.TakesMin = max(10, 2*b.Loaves) // twenty rolls take longer than a loaf
	switch {
	case kind == Rye:
		shape.Key, proof.Key = "shape.rye", "proof.rye"
		shape.TakesMin = 10
	case o.Ware == Tray:
		shape.Key, proof.Key, rest.TakesMin = "shape.tray", "proof.tray", 15
	case o.Ware == Tin:
		shape.Key, proof.Key = "shape.tin", "proof.tin"
	}
	var defs []StepDef
	if kind != Rye { // a paste is neither rounded nor rested
		defs = append(defs, divide, rest)
	} else {
		shape.Warn = []string{"flour"}
	}
	defs = append(defs, shape)
	if b.Bakes() > 1 {
		defs = append(defs, StepDef{ID: WaitID, Key: "wait", Trigger: ByClock, TakesMin: 2, Hands: true,
			Values: Values{"at_once": float64(max(1, b.AtOnce))}})
	}
	return append(defs, proof)
}

// ovenSteps leads from the question about the oven to the slice.
func ovenSteps(b Batch, kind Kind, o Oven) []StepDef {
	core := b.doneCore(0)
	v := Values{"hot_c": o.HotC, "then_c": o.ThenC, "low_c": core.LowC, "best_c": core.BestC, "most_c": core.MostC}
	defs := []StepDef{
		{ID: OvenCheckID, Key: "oven-check", Trigger: Ahead, Before: BakeID, WaitMin: o.HeatMin + 10, Hands: true, Warn: []string{"oven"}},
		{ID: PreheatID, Key: o.heat, Trigger: Ahead, Before: BakeID, WaitMin: o.HeatMin, TakesMin: o.HeatMin, Hands: true, Values: v, Warn: []string{"oven", "probe"}},
	}
	for k := 1; k <= b.Bakes(); k++ {
		id, wait, out := func(id string) string { return wave(id, k) }, 0, "out"
		if k > 1 {
			wait = o.BetweenMin
		}
		if k < b.Bakes() {
			out = "out.next"
			if o.Ware == Pot {
				out = "out.next.pot"
			}
		}
		defs = append(defs,
			StepDef{ID: id(BakeID), Key: o.in, Trigger: ByClock, WaitMin: wait, TakesMin: 2, Hands: true, Values: v, Warn: o.inWarn},
			StepDef{ID: id(UncoverID), Key: o.open, Trigger: ByClock, WaitMin: o.firstMin - 2, TakesMin: 1, Hands: true, Values: v, Warn: o.openWarn},
			StepDef{ID: id(OutID), Key: out, Trigger: ByClock, WaitMin: o.openMin - 1, TakesMin: 1, Hands: true, Warn: []string{"loaf"}})
	}
	usual := b.Cooling()
	cool := StepDef{ID: coolID, Key: "cool", Trigger: ByClock, TakesMin: usual.MidMin, Usual: usual, Warn: []string{"loaf"}}
	slice := StepDef{ID: SliceID, Key: "slice", Trigger: ByClock, Hands: true}
	if kind == Rye {
		cool.Key, slice.Key = "cool.rye", "slice.rye"
	}
	return append(defs, cool, slice)
}

// wave is the ID of a step in the k-th bake of a batch, from 1.
func wave(id string, k int) string {
	if k == 1 {
		return id
	}
	return fmt.Sprintf("%s-%d", id, k)
}
