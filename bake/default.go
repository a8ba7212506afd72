package bake

import "time"

// Well-known steps: other packages look for them by these IDs.
const (
	MixID       = "mix"
	BulkID      = "bulk"
	ShapeID     = "shape"
	ProofID     = "proof"
	RetardID    = "retard"
	OvenCheckID = "oven-check"
	PreheatID   = "preheat"
	BakeID      = "bake-covered"
	UncoverID   = "bake-uncovered"
	OutID       = "out"
	CoolID      = "cool"
	SliceID     = "slice"
)

// Cautions shown where a step needs them, in the project's words.
const (
	cautionFlour = "Raw flour may carry germs such as E. coli or Salmonella: do not taste the dough, and wash hands, tools and the probe."
	cautionHeat  = "The pot and its lid are as hot as the oven: dry gloves, and steam rises when the lid comes off, so open it away from your face."
	cautionGlass = "Do not put hot glass on a wet or cold surface, and no cold glass into a hot oven: it can burst."
	cautionOven  = "Dough, cloth, plastic or a sensor left inside will melt or burn."
	cautionProbe = "The sensors are for proofing only: none of them goes into the hot oven. Only a probe made for it, cable and all, stays in a loaf that bakes."
	cautionLoaf  = "Loaf, rack and pot are hot for a long while: dry gloves, and set the pot where nobody reaches for it."
	cautionCold  = "Keep the refrigerator at 5 C or below."
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

// DefaultProcess is the default bread, baked on the same day. Pauses and oven
// times are common practice, no source. start is when mixing begins, roomC the
// expected temperature of the place (0 when not known).
func DefaultProcess(start time.Time, roomC float64) Process {
	b := DefaultBatch()
	defs := append(bulkSteps(), StepDef{
		ID: ProofID, Name: "final proof", Trigger: ByRise, Stage: Proof, Since: ShapeID,
		Do:    "Proof in the basket until the mark, or until a floured finger's dent fills back slowly.",
		Usual: Spread{LowMin: 60, MidMin: 100, HighMin: 160},
	})
	defs = append(defs, ovenSteps()...)
	defs = append(defs, CoolStep(b), sliceStep())
	return Process{Name: b.Name, Started: start, Batch: b, RoomC: roomC, Defs: withBatchCautions(defs, b)}
}

// RetardProcess is the default bread with a night in the refrigerator instead
// of a final proof in the room. retardMin is the planned stay in minutes.
func RetardProcess(start time.Time, roomC float64, retardMin int) Process {
	p := DefaultProcess(start, roomC)
	p.Defs[p.index(ProofID)] = StepDef{
		ID: RetardID, Name: "retard", Trigger: ByClock, TakesMin: retardMin, Caution: cautionCold,
		Do: "Put the covered baskets into the refrigerator at once; 0 to 5 C keeps up to 48 hours.", // IREKS Kompendium, 6.3.4
	}
	return p
}

// WithBatch is the same process for another batch: its cautions, its cooling.
func (p Process) WithBatch(b Batch) Process {
	p.Batch = b
	if b.Name != "" {
		p.Name = b.Name
	}
	p.Defs = append([]StepDef(nil), p.Defs...)
	for i := range p.Defs {
		switch p.Defs[i].ID {
		case MixID:
			p.Defs[i].Caution = cautionFlour
		case CoolID:
			p.Defs[i] = CoolStep(b)
		}
	}
	p.Defs = withBatchCautions(p.Defs, b)
	return p
}

// bulkSteps leads from mixing to the shaped loaf.
func bulkSteps() []StepDef {
	fold := func(n string) StepDef {
		return StepDef{ID: "fold-" + n, Name: "fold", Trigger: ByClock, WaitMin: 30, TakesMin: 3, Hands: true, Stage: Bulk,
			Droppable: true, Do: "Wet hands; stretch each side up and fold it over."}
	}
	return []StepDef{
		{ID: MixID, Name: "mix", Trigger: ByClock, TakesMin: 10, Hands: true, Caution: cautionFlour,
			Do: "Mix flour, water and levain until no dry flour is left."},
		{ID: "rest", Name: "rest", Trigger: ByClock, TakesMin: 30, Do: "Leave it covered."},
		{ID: "salt", Name: "salt", Trigger: ByClock, TakesMin: 5, Hands: true, Do: "Work in the salt, put the dough into the tub and start the rise."},
		fold("1"), fold("2"), fold("3"), fold("4"),
		{ID: BulkID, Name: "bulk", Trigger: ByRise, Stage: Bulk, Since: MixID, Usual: usualBulk(),
			Do: "Leave the dough until it reaches the mark."},
		{ID: "divide", Name: "divide", Trigger: ByClock, TakesMin: 5, Hands: true, Caution: cautionFlour, Do: "Turn the dough out, divide it and round the pieces."},
		{ID: "bench-rest", Name: "bench rest", Trigger: ByClock, TakesMin: 25, Do: "Leave the pieces covered."},
		{ID: ShapeID, Name: "shape", Trigger: ByClock, TakesMin: 10, Hands: true, Do: "Shape the loaves and lay them into floured baskets, seam up."},
	}
}

// usualBulk is the bulk of a dough with about 20 % starter at 24 C to a rise of
// about 55 %: 5 to 7 h, widened to the factor of two by which kitchens differ
// (common practice, no source).
func usualBulk() Spread { return Spread{LowMin: 250, MidMin: 360, HighMin: 520} }

// ovenSteps leads from the question about the oven to the baked loaf.
func ovenSteps() []StepDef {
	return []StepDef{
		{ID: OvenCheckID, Name: "look into the oven", Trigger: Ahead, Before: BakeID, WaitMin: 60, TakesMin: 0, Hands: true,
			Question: "Is anything still in the oven: dough, a jar, a cloth, a sensor?", Caution: cautionOven,
			Do: "Open the oven and take out whatever is in it before anyone turns it on."},
		{ID: PreheatID, Name: "preheat", Trigger: Ahead, Before: BakeID, WaitMin: 50, TakesMin: 50, Hands: true,
			Do: "Turn the oven to 250 C with the empty pot inside.", Caution: cautionOven + " " + cautionProbe},
		{ID: BakeID, Name: "bake covered", Trigger: ByClock, TakesMin: 2, Hands: true, Caution: cautionHeat + " " + cautionGlass,
			Do: "Turn the loaf into the hot pot, score it, cover it, and lower the oven to 230 C."},
		{ID: UncoverID, Name: "bake uncovered", Trigger: ByClock, WaitMin: 20, TakesMin: 1, Hands: true, Caution: cautionHeat,
			Do: "Take the lid off and bake until dark; the core of a lean loaf is done at 93 to 98 C."},
		{ID: OutID, Name: "take out", Trigger: ByClock, WaitMin: 20, TakesMin: 1, Hands: true, Caution: cautionLoaf,
			Do: "Take the loaf out and set it on a rack; turn the oven off if no other goes in."},
	}
}

// sliceStep ends the process.
func sliceStep() StepDef {
	return StepDef{ID: SliceID, Name: "slice", Trigger: ByClock, Hands: true, Do: "Cool enough to slice."}
}

// withBatchCautions adds what the batch's own ingredients call for to the step
// where they come in.
func withBatchCautions(defs []StepDef, b Batch) []StepDef {
	extra := b.Cautions()
	if extra == "" {
		return defs
	}
	for i := range defs {
		if defs[i].ID == MixID {
			defs[i].Caution += " " + extra
		}
	}
	return defs
}
