package planner

import (
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

// Starter is what is known of the starter.
type Starter struct {
	RipeFrom  time.Time // usable between these; both zero when it must be fed first
	RipeUntil time.Time
	Past      []bake.PastFeed
	ColdDays  float64 // how long it has stood in the refrigerator unfed; 0 when it has not
}

// Request is what the household wants and what it has.
type Request struct {
	Now     time.Time // in the household's zone: nights are told by its clock
	ReadyAt time.Time // the last loaf is cool enough to slice

	Batch         bake.Batch
	TargetPercent float64 // the household's mark: no bulk of a bread baked the same day ends above it; 0 for none
	WarmerC       float64 // how much warmer than wanted past doughs came out (bake.LearnWarmer)
	RoomC         float64 // expected where the dough stands
	WarmC         float64 // a warmer spot; 0 when there is none
	NoFridge      bool    // there is no room in it
	MilkInTheWarm bool    // the household takes on itself that milk or egg stands warm for longer than 2 hours

	Prior   *forecast.Prior // of this household and batch (bake.Learn); nil for the published one
	Starter Starter

	Hours     bake.Hours  // asleep from and until; the zero Hours count as 22:30 to 06:30
	Away      []bake.Span // nobody can lend a hand
	OvenTaken []bake.Span // by another bake
}

// Doughs are mixed to 24 to 26 C whatever the kitchen, a paste of rye warmer; common
// practice, no source. The doubt of a place is one standard
// deviation.
const (
	lowDoughC, highDoughC, ryeDoughC = 24.0, 26.0, 28.0
	placeSD                          = 1.5
)

// doughC is the temperature to which the dough is mixed: the room's where no water brings
// another about.
func (r Request) doughC() float64 {
	c := min(max(r.RoomC, lowDoughC), highDoughC)
	if r.Batch.Kind() == bake.Rye {
		c = ryeDoughC
	}
	if _, err := r.Batch.MixingWater(r.mixing(c)); err != nil {
		return r.RoomC
	}
	return c
}

// mixing is what is known when the water is drawn.
func (r Request) mixing(doughC float64) bake.Mixing {
	return bake.Mixing{TargetC: doughC, FlourC: r.RoomC, RoomC: r.RoomC, LearntC: r.WarmerC}
}

// Validate refuses what cannot be planned.
func (r Request) validate() error {
	if err := r.Batch.Validate(); err != nil {
		return fmt.Errorf("batch: %w", err)
	}
	switch {
	case r.Batch.Yeasted():
		return cannot("yeast", nil)
	case r.Batch.Perishable() && !r.MilkInTheWarm:
		return cannot("perishable", nil)
	case r.Batch.Levain.Grams == 0:
		return cannot("levain", nil)
	}
	return r.inRange()
}

// inRange refuses temperatures and times that no household has.
func (r Request) inRange() error {
	for _, c := range []struct {
		field, unit  string
		v, low, high float64
	}{{"air", "c", r.RoomC, 10, 35}, {"warm", "c", r.WarmC, 10, 35}, {"target", "percent", r.TargetPercent, 20, 300}} {
		if !(c.v >= c.low && c.v <= c.high) && (c.v != 0 || c.field == "air") {
			return cannot("between."+c.unit, bake.Values{"what": bake.Said{Key: "plan.field." + c.field}, "low_" + c.unit: c.low, "high_" + c.unit: c.high, "found_" + c.unit: c.v})
		}
	}
	if d := r.ReadyAt.Sub(r.Now); d <= 0 || d > 4*24*time.Hour {
		return cannot("ready", bake.Values{"found": r.ReadyAt})
	}
	return nil
}

// cannot returns a bake.Refusal: a request that cannot be planned.
func cannot(key string, v bake.Values) error {
	return bake.Refusal{Said: bake.Said{Key: "plan.refused." + key, Values: v}}
}

// A plan knows levain, salt, flour and temperature; what is left of the doubt is
// the factor of two by which published bulk times differ at one temperature (common
// practice): 0.27 in the logarithm. Ceiling and lag likewise.
const (
	knownRateSD    = 0.27
	knownCeilingSD = 0.20
	knownLagSD     = 0.15
)

// prior is what is believed of the batch's rise, for a share of fermented flour in
// percent, and the logarithm of the rate that is published for it.
func (r Request) prior(inoculationPercent float64) (p forecast.Prior, usualRate float64) {
	base := r.Batch.Prior(0)
	p = base
	if r.Prior != nil {
		p = *r.Prior
	}
	p.LogCeiling.SD = min(p.LogCeiling.SD, knownCeilingSD)
	p.LogRate.SD = min(p.LogRate.SD, knownRateSD)
	p.Lag.SD = min(p.Lag.SD, knownLagSD)
	then := r.Batch.Prior(inoculationPercent / 100)
	p.LogRate.Mean += then.LogRate.Mean - base.LogRate.Mean
	p.Lag.Mean += then.Lag.Mean - base.Lag.Mean
	return p, then.LogRate.Mean
}

// kg are the masses of the whole dough and of one piece.
func (r Request) kg() (dough, piece float64) {
	n := r.Batch.Numbers() // checked
	return n.TotalG / 1000, n.PerLoafG / 1000
}

// Fridge is the household's refrigerator with one loaf of the batch in it, as a followed
// plan needs it.
func (r Request) Fridge() bake.Fridge {
	_, piece := r.kg()
	return bake.Fridge{AirC: kinetics.FridgeC, PieceKg: piece}
}

// home is when somebody can lend a hand.
func (r Request) home() bake.Hours {
	h := r.Hours
	h.Away = append(r.Away[:len(r.Away):len(r.Away)], h.Away...)
	return h
}

func (r Request) asleep(t time.Time) bool { return r.Hours.Asleep(t, 0) }

// ovenClash reports whether another bake has the oven in a span.
func (r Request) ovenClash(mine bake.Span) bool {
	return slices.ContainsFunc(r.OvenTaken, func(s bake.Span) bool { return mine.From.Before(s.Until) && mine.Until.After(s.From) })
}

func (r Request) nextFree(t time.Time) time.Time {
	_, after := r.home().Free(t)
	return after
}

// lastBed is the last bedtime not after t.
func (r Request) lastBed(t time.Time) time.Time {
	if n := r.Hours.Night(t); !n.From.After(t) {
		return n.From
	}
	return r.Hours.Night(t.AddDate(0, 0, -1)).From
}
