package planner

import (
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// laidProcess is the step list of the strategy, whenever it begins.
func (c *candidate) laidProcess() bake.Process {
	p := bake.NewProcess(c.batch, c.Now, c.placeC)
	switch {
	case c.cold:
		p = p.Retarded()
	case c.tub:
		p = p.TubRetarded()
	}
	p.Edit(bake.WaitID, func(d *bake.StepDef) {
		if d.Key = "wait-cold"; c.NoFridge {
			d.Key = "wait-cool"
		}
	})
	p.Edit(bake.MixID, c.water)
	return p
}

// processOf is the step list of a trial, with the doughs' times as the usual ones, so
// that a plan that is followed starts from them and then follows the sensor.
func (c *candidate) processOf(x *trial) bake.Process {
	p := c.process
	p.Started = x.start
	speed := bake.Speed(c.placeC)
	usual := func(list []float64, less, least float64) bake.Spread {
		m := func(q float64) int { return max(1, int(math.Round(math.Max(least, quantile(list, q)-less)*60*speed))) }
		return bake.Spread{LowMin: m(0.1), MidMin: m(0.5), HighMin: m(0.9)}
	}
	p.Edit(bake.BulkID, func(d *bake.StepDef) {
		before := mixHours
		switch {
		case c.cold:
			before += c.shapeHours
			d.Key = "bulk.percent"
		case c.tub:
			d.Key = "bulk.cold"
		case c.kind != bake.Rye:
			d.Key = "bulk.percent"
		}
		d.RisePercent, d.Usual, d.Values = x.end, usual(x.bulkEnds, before, 1), bake.Values{"rise_percent": x.end}
	})
	p.Edit(bake.ProofID, func(d *bake.StepDef) { d.Usual = usual(x.proofs, 0, 0) })
	for _, night := range []string{bake.RetardID, bake.TubID} {
		p.Edit(night, func(d *bake.StepDef) { d.UntilAt = x.out })
	}
	return p.Fed(x.feeds, x.start)
}

// water puts the temperature of the water into the step of mixing.
func (c *candidate) water(d *bake.StepDef) {
	w, err := c.batch.MixingWater(c.mixing(c.doughC()))
	if err != nil {
		return // said in the notes
	}
	d.Key, d.Values = "mix.water", bake.Values{"water_g": c.batch.WaterG, "water_c": w.TempC, "dough_c": c.doughC()}
	switch {
	case w.IceG > 0:
		d.Key, d.Values["ice_g"] = "mix.ice", w.IceG
	case c.kind == bake.Rye:
		d.Key = "mix.rye.water"
	case c.batch.Milky():
		d.Key = "mix.milk"
	}
}

// layOut lays a process out before anything has happened.
func (c *candidate) layOut(p bake.Process) []bake.Step {
	nan := math.NaN()
	steps := p.Steps(c.Now.Add(-time.Minute), estimator.Estimate{Phase: estimator.Idle, AirC: nan, DoughC: nan, RisePercent: nan})
	steps = slices.DeleteFunc(steps, func(s bake.Step) bool { return s.State == bake.Skipped }) // folds that would come too late
	for i := range steps {
		steps[i].Why = nil
	}
	return steps
}

// awake moves what an early or a late dough asks for at night to the morning: no oven is
// lit, and no loaf comes out of it, while the household sleeps.
func (c *candidate) awake(steps []bake.Step) {
	in := &steps[stepOf(steps, bake.BakeID)]
	lead, lasts := in.At.Sub(steps[stepOf(steps, bake.OvenCheckID)].At), bake.HoursOf(c.ovenHours)
	oven := func(t time.Time) time.Time {
		from := c.nextFree(t.Add(-lead))
		if out := from.Add(lead + lasts); c.asleep(out) {
			from = c.nextFree(out)
		}
		return from.Add(lead)
	}
	in.From, in.Until = bake.Earlier(oven(in.From), in.At), bake.Later(oven(in.Until), in.At)
	for i := range steps {
		switch s := &steps[i]; {
		case s == in || s.ID == bake.SliceID:
		case s.ID == bake.ProofID || s.Trigger == bake.Ahead || s.At.After(in.At): // as the oven goes
			by := s.At.Sub(in.At)
			s.From, s.Until = bake.Earlier(in.From.Add(by), s.At), bake.Later(in.Until.Add(by), s.At)
		default:
			s.From = bake.Earlier(c.nextFree(s.From), s.At)
			if s.Hands {
				s.Until = bake.Later(c.nextFree(s.Until), s.At)
			}
		}
	}
}

// OvenSpan returns when a bake that is laid out has the oven: from heating it up until
// the last loaf is out. ok is false when that is over or not known.
func OvenSpan(steps []bake.Step) (span bake.Span, ok bool) {
	for _, s := range steps {
		if !s.Open() {
			continue
		}
		switch {
		case s.ID == bake.PreheatID || span.From.IsZero() && strings.HasPrefix(s.ID, bake.OutID):
			span.From = s.At
		}
		if strings.HasPrefix(s.ID, bake.OutID) {
			span.Until = s.At
		}
	}
	return span, span.From.Before(span.Until)
}

func stepOf(steps []bake.Step, id string) int {
	return slices.IndexFunc(steps, func(s bake.Step) bool { return s.ID == id })
}

// mostOnTray is how many rolls are taken to fit a household's tray. Common practice, no
// source.
const mostOnTray = 12

// notes says what is worth knowing beside the timetable.
func (c *candidate) notes(p Plan) []bake.Said {
	out := c.batch.Warnings()
	note := func(key string, v bake.Values) { out = append(out, because("note."+key, v)...) }
	n := c.Batch.Numbers()
	b, roomC := c.batch, c.RoomC
	if math.Abs(c.inoc-n.InoculationPercent) > 0.1 {
		note("levain", bake.Values{"levain_g": b.Levain.Grams, "usual_g": c.Batch.Levain.Grams, "flour_g": c.batch.AddedFlourG(), "water_g": b.WaterG})
	}
	if c.cold || c.tub {
		out = append(out, c.coldNote(p)...)
	} else if c.TargetPercent > p.BulkEndPercent+2 {
		note("below_target", bake.Values{"bulk_percent": p.BulkEndPercent, "target_percent": c.TargetPercent})
	}
	if in := p.Steps[stepOf(p.Steps, bake.BakeID)]; c.lastBed(in.Until).After(in.At) {
		key := "late_proof"
		if c.NoFridge || c.kind == bake.Rye {
			key += ".cool"
		}
		note(key, bake.Values{"bed": c.lastBed(in.Until)})
	}
	switch ware := b.Ware(); {
	case b.AtOnce > 0:
	case b.Loaves > 1 && ware == bake.Pot:
		note("pots", bake.Values{"loaves": b.Loaves})
	case b.Loaves > mostOnTray && ware == bake.Tray:
		note("trays", bake.Values{"loaves": b.Loaves})
	}
	if _, err := b.MixingWater(c.mixing(c.doughC())); err != nil {
		note("water", bake.Values{"dough_c": c.doughC()})
	}
	if roomC < 18 {
		note("cool", bake.Values{"room_c": roomC, "times_tenth": 1 / bake.Speed(roomC), "usual_c": 24.0, "least_c": 12.0})
	}
	if b.Perishable() {
		note("perishable", nil)
	}
	return out
}

// coldNote says in plain terms what the refrigerator still adds.
func (c *candidate) coldNote(p Plan) bake.Sentences {
	worth := make([]float64, len(c.paths))
	for i, q := range c.paths {
		worth[i] = c.carry[i] / q.end
	}
	kg, pieceKg := c.kg()
	v := bake.Values{"mass_g": 1000 * pieceKg, "hours_tenth": median(worth), "bulk_percent": p.BulkEndPercent}
	if c.tub {
		v["mass_g"] = 1000 * kg
		return because("note.cold.tub", v)
	}
	out := because("note.cold", v)
	if t := estimator.CommonTargets(); c.placeC >= t[0].DoughC && c.placeC <= t[len(t)-1].DoughC { // T. Cucuzza, January 2023
		out = append(out, because("note.table", bake.Values{"table_percent": t.At(c.placeC)})...)
	}
	return out
}
