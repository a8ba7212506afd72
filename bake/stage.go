package bake

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The steps of a bake by their IDs. Folds and refreshes are numbered, "fold-1"; so are the
// loads of the oven from the second on, "out-2".
const (
	feedID      = "feed"
	refreshID   = "refresh"
	ripenID     = "ripen"
	MixID       = "mix"
	restID      = "rest"
	saltID      = "salt"
	foldID      = "fold"
	BulkID      = "bulk"
	TubID       = "tub-cold" // the night of the whole tub in the refrigerator
	divideID    = "divide"
	benchID     = "bench-rest"
	ShapeID     = "shape"
	WaitID      = "wait-cold" // of the loaves that bake later; its words leave open where, a plan knows
	ProofID     = "proof"
	RetardID    = "retard" // the night of the shaped loaves in the refrigerator
	OvenCheckID = "oven-check"
	PreheatID   = "preheat"
	BakeID      = "bake-covered"
	UncoverID   = "bake-uncovered"
	OutID       = "out"
	coolID      = "cool"
	SliceID     = "slice"
)

// stage is one row of the table of a bake: a step as a lean loaf has it, and what people
// tell of it.
type stage struct {
	StepDef
	rye     string    // the key of its words for a dough rich in rye; none when that goes without, empty for the same
	planned bool      // only a plan has it
	told    EventKind // what tells, beside EventDone, that it is over
	button  EventKind // what the button tells when it is due; EventDone when empty
	other   EventKind // what the second button tells
	asked   EventKind // what is asked for when a later step is told first; empty for nothing
	empties bool      // the dough leaves its vessel with it
}

// none is the key of a step that is left out.
const none = "-"

// stages is the table, from the feeding to the slice. Pauses are common practice, no
// source.
func stages() []stage {
	hands := func(id string, takesMin int, warn ...string) StepDef {
		return StepDef{ID: id, Key: id, Trigger: ByClock, TakesMin: takesMin, Hands: true, Warn: warn}
	}
	alone := func(id, key string, takesMin int, warn ...string) StepDef {
		return StepDef{ID: id, Key: key, Trigger: ByClock, TakesMin: takesMin, Warn: warn}
	}
	ahead := func(id string, warn ...string) StepDef {
		return StepDef{ID: id, Key: id, Trigger: Ahead, Hands: true, Warn: warn}
	}
	fold := hands(foldID, 3)
	fold.WaitMin = 30
	return []stage{
		{StepDef: hands(refreshID, feedMin, "flour", "jar"), planned: true},
		{StepDef: hands(feedID, feedMin, "flour", "jar"), planned: true},
		{StepDef: alone(ripenID, "ripen", 0), planned: true},
		{StepDef: hands(MixID, 10, "flour"), rye: "mix.rye"},
		{StepDef: alone(restID, "rest", 30), rye: none},
		{StepDef: hands(saltID, 5), rye: "salt.rye", told: EventStart},
		{StepDef: fold, rye: none, told: EventFold, button: EventFold, other: EventSkipped},
		{StepDef: StepDef{ID: BulkID, Key: "bulk", Trigger: ByRise}, rye: "bulk.rye", told: EventEnd},
		{StepDef: alone(TubID, "tub.cold", 0, "cold"), planned: true},
		{StepDef: hands(divideID, 5, "flour"), rye: none, other: EventFridge, empties: true}, // a paste is neither rounded nor rested
		{StepDef: alone(benchID, "bench-rest", 25), rye: none},
		{StepDef: hands(ShapeID, 10), rye: "shape.rye", told: EventShaped, button: EventShaped, other: EventFridge, asked: EventShaped, empties: true},
		{StepDef: hands(WaitID, 2)},
		{StepDef: StepDef{ID: ProofID, Key: "proof", Trigger: ByRise, Usual: usualProof()}, rye: "proof.rye"},
		{StepDef: alone(RetardID, "retard", 0, "cold"), planned: true},
		{StepDef: ahead(OvenCheckID, "oven")},
		{StepDef: ahead(PreheatID, "oven", "probe")},
		{StepDef: hands(BakeID, 2), asked: EventBegun},
		{StepDef: hands(UncoverID, 1)},
		{StepDef: hands(OutID, 1, "loaf"), told: EventBaked, asked: EventBaked},
		{StepDef: alone(coolID, "cool", 0, "loaf"), rye: "cool.rye"},
		{StepDef: hands(SliceID, 0), rye: "slice.rye"},
	}
}

// feedMin is how long a feeding takes, minutes.
const feedMin = 5

// stageOf returns the row of a step; an empty one for a step that is in no table.
func stageOf(id string) stage {
	if i := strings.LastIndexByte(id, '-'); i > 0 {
		if _, err := strconv.Atoi(id[i+1:]); err == nil {
			id = id[:i]
		}
	}
	all := stages()
	if i := slices.IndexFunc(all, func(s stage) bool { return s.ID == id }); i >= 0 {
		return all[i]
	}
	return stage{}
}

// stepOf is the step that an event is about; empty for none.
func (p *Process) stepOf(e Event) string {
	switch {
	case e.Kind.Marks():
		return e.StepID
	case p == nil || e.Kind == "":
		return ""
	}
	for _, d := range p.Defs {
		s := stageOf(d.ID)
		if s.told == e.Kind && (s.ID != foldID || !p.closed(d.ID)) {
			return d.ID
		}
	}
	return ""
}

// NewProcess returns the steps of a batch baked on the same day, by its kind, what
// it bakes in and how many loaves go in at once. start is when mixing begins, roomC the
// expected temperature of the place (0 when not known).
func NewProcess(b Batch, start time.Time, roomC float64) Process {
	p := Process{Started: start, Batch: b, RoomC: roomC}
	kind, oven := b.Kind(), b.Oven()
	for _, s := range stages() {
		p.Defs = append(p.Defs, b.stepsOf(s, kind, oven)...)
	}
	return p
}

// solids are the inclusions that are folded in.
const solids = nuts | sesame | plain | peanut

// RyeRisePercent is where the bulk of a dough rich in rye ends: 30 to 50 %,
// common practice, no source.
const RyeRisePercent = 40

// stepsOf are the steps of a stage in a bake of the batch.
func (b Batch) stepsOf(s stage, kind Kind, o Oven) []StepDef {
	d, rye := s.StepDef, kind == Rye
	switch {
	case s.planned || rye && s.rye == none:
		return nil
	case rye && s.rye != "":
		d.Key = s.rye
	}
	switch d.ID {
	case MixID:
		if !rye {
			d.Key += b.more(liquid, ".milky")
		}
	case saltID:
		switch {
		case rye:
			d.Key += b.more(solids, ".inclusions")
		case kind == Rich:
			d.Key, d.TakesMin = "salt.rich", 15
		default:
			d.Key += b.more(fat|sugar|egg, ".some")
		}
	case foldID:
		return b.folds(d, kind)
	case BulkID:
		d.Usual = b.usualBulk(usualMarkPercent)
		if rye {
			d.RisePercent, d.Usual, d.Values = RyeRisePercent, b.usualBulk(RyeRisePercent), Values{"rise_percent": float64(RyeRisePercent)}
		}
	case divideID:
		if b.Loaves == 1 {
			d.Key = "divide.one"
		}
	case benchID:
		if o.Ware == Tray {
			d.TakesMin = 15
		}
	case ShapeID:
		if rye {
			d.Warn = []string{"flour"}
			break
		}
		d.TakesMin = max(10, 2*b.Loaves) // twenty rolls take longer than a loaf
		d.Key += o.shaped()
	case WaitID:
		if b.Bakes() == 1 {
			return nil
		}
		d.Key, d.Values = "wait", Values{"at_once": float64(max(1, b.AtOnce))}
	case ProofID:
		if !rye {
			d.Key += o.shaped()
		}
	default:
		return b.ovenSteps(d, o)
	}
	return []StepDef{d}
}

// more returns the end of a key for a dough that holds any of the properties, else nothing.
func (b Batch) more(t property, end string) string {
	if b.sum(t) > 0 {
		return end
	}
	return ""
}

// folds are the folds of a bulk: butter and a kneaded dough need fewer.
func (b Batch) folds(d StepDef, kind Kind) []StepDef {
	n := 4
	if kind == Rich {
		n = 2
	}
	all := slices.Repeat([]StepDef{d}, n)
	for i := range all {
		all[i].ID = fmt.Sprintf("%s-%d", foldID, i+1)
	}
	all[1].Key += b.more(solids, ".inclusions")
	return all
}

// shaped is the end of the key of what is shaped for a ware; empty for a basket.
func (o Oven) shaped() string {
	if o.Ware == Tray || o.Ware == Tin {
		return "." + string(o.Ware)
	}
	return ""
}

// ovenSteps are the steps of a stage from the question about the oven to the slice.
// What happens in the oven comes once for each load.
func (b Batch) ovenSteps(d StepDef, o Oven) []StepDef {
	core := b.doneCore(0)
	v := Values{"hot_c": o.HotC, "then_c": o.ThenC, "low_c": core.LowC, "best_c": core.BestC, "most_c": core.MostC}
	switch d.ID {
	case OvenCheckID:
		d.WaitMin = o.HeatMin + 10
	case PreheatID:
		d.Key, d.WaitMin, d.TakesMin, d.Values = o.heat, o.HeatMin, o.HeatMin, v
	case BakeID:
		d.Key, d.Values, d.Warn = o.in, v, o.inWarn
		open, out := stageOf(UncoverID).StepDef, stageOf(OutID).StepDef
		open.Key, open.WaitMin, open.Values, open.Warn = o.open, o.firstMin-2, v, o.openWarn
		out.WaitMin = o.openMin - 1
		return b.loads(o, d, open, out)
	case UncoverID, OutID:
		return nil // they come with BakeID
	case coolID:
		d.Usual = b.Cooling()
		d.TakesMin = d.Usual.MidMin
	}
	return []StepDef{d}
}

// loads repeats the steps of one load of the oven.
func (b Batch) loads(o Oven, load ...StepDef) []StepDef {
	var all []StepDef
	for k := 1; k <= b.Bakes(); k++ {
		for _, d := range load {
			if d.ID == OutID && k < b.Bakes() {
				d.Key = "out.next"
				if o.Ware == Pot {
					d.Key = "out.next.pot"
				}
			}
			if k > 1 {
				if d.ID == BakeID {
					d.WaitMin = o.BetweenMin
				}
				d.ID = fmt.Sprintf("%s-%d", d.ID, k)
			}
			all = append(all, d)
		}
	}
	return all
}

// Edit changes a step; nothing happens without it.
func (p *Process) Edit(id string, change func(*StepDef)) {
	if i := p.index(id); i >= 0 {
		p.Defs = slices.Clone(p.Defs)
		change(&p.Defs[i])
	}
}

// TubRetarded is the process with the tub in the refrigerator for a night: the bulk goes
// on there, and the dough is shaped cold, without a rest between.
func (p Process) TubRetarded() Process {
	p.Defs = slices.Insert(slices.Clone(p.Defs), p.index(BulkID)+1, stageOf(TubID).StepDef)
	p.Defs = slices.DeleteFunc(p.Defs, func(d StepDef) bool { return d.ID == benchID })
	p.Edit(divideID, func(d *StepDef) { d.Key = strings.Replace(d.Key, "divide", "divide.cold", 1) })
	return p
}

// Retarded is the process with a night in the refrigerator in the place of its final
// proof.
func (p Process) Retarded() Process {
	p.Edit(ProofID, func(d *StepDef) { *d = stageOf(RetardID).StepDef })
	p.Defs = slices.DeleteFunc(slices.Clone(p.Defs), func(d StepDef) bool { return d.ID == WaitID })
	return p
}

// Fed is the process with the feeds of the starter, and the ripening after each, in front
// of the dough that is mixed at a moment.
func (p Process) Fed(feeds []Feed, mix time.Time) Process {
	var front []StepDef
	for k, f := range feeds {
		feed, ripen, next := stageOf(feedID).StepDef, stageOf(ripenID).StepDef, mix
		if k < len(feeds)-1 {
			feed, next = stageOf(refreshID).StepDef, feeds[k+1].At
			feed.ID, ripen.ID = fmt.Sprintf("%s-%d", refreshID, k+1), fmt.Sprintf("%s-%d", ripenID, k+1)
		}
		feed.Values = Values{"starter_g": f.StarterG, "flour_g": f.FlourG, "water_g": f.WaterG}
		ripen.TakesMin = max(1, int(math.Round(next.Sub(f.At).Minutes()))-feedMin) // no times: they slip with the feed
		front = append(front, feed, ripen)
	}
	if len(feeds) > 0 {
		p.Started = feeds[0].At
	}
	p.Defs = append(front, p.Defs...)
	return p
}
