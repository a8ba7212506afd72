package planner

import (
	"fmt"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/bake/heat"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

// Place is where the dough may stand.
type Place struct {
	C  float64 // expected air temperature, Celsius
	SD float64 // its doubt, one standard deviation; 0 counts as 1.5
}

// Starter is what is known of the starter.
type Starter struct {
	RipeFrom  time.Time // usable between these; both zero when it must be fed first
	RipeUntil time.Time
	Past      []bake.PastFeed
	ColdDays  float64 // how long it has stood in the refrigerator unfed; 0 when it has not
}

// Span is a time in which nobody can lend a hand.
type Span struct{ From, Until time.Time }

// Wish is what the household wants and what it has.
type Wish struct {
	Now     time.Time // in the household's zone: nights are told by its clock
	ReadyAt time.Time // the last loaf is cool enough to slice

	Batch         bake.Batch
	TargetPercent float64 // the household's mark: no bulk of a bread baked the same day ends above it; 0 for none
	TotalPercent  float64 // rise, as if left alone, that a dough has done at the oven; 0 counts as the batch's own (bake.Batch.Total)
	DoughC        float64 // wanted after mixing; 0 counts as the room's, but 24 to 26 (rye 28) where water can bring that about
	WarmerC       float64 // how much warmer than wanted past doughs came out (bake.LearnWarmer)
	Mixing        string  // a method of bake.Friction; empty means by hand
	Room          Place
	Warm          Place   // a warmer spot; C 0 when there is none
	FridgeC       float64 // 0 counts as 4
	NoFridge      bool    // there is no room in it
	MilkInTheWarm bool    // the household takes on itself that milk or egg stands warm for longer than 2 hours

	Prior   *forecast.Prior // of this household and batch (bake.Learn); nil for the published one
	Starter Starter

	BedMin, WakeMin int // asleep from and until, minutes after midnight; both 0 count as 22:30 and 06:30
	Away            []Span
	OvenTaken       []Span // by another bake
}

// withDefaults fills what was left open.
func (w Wish) withDefaults() Wish {
	set := func(v *float64, to float64) {
		if *v == 0 {
			*v = to
		}
	}
	set(&w.DoughC, w.usualDoughC())
	set(&w.FridgeC, 4)
	set(&w.Room.SD, 1.5)
	set(&w.Warm.SD, 1.5)
	if w.BedMin == 0 && w.WakeMin == 0 {
		w.BedMin, w.WakeMin = 22*60+30, 6*60+30
	}
	w.ReadyAt = w.ReadyAt.In(w.Now.Location())
	return w
}

// Doughs are mixed to 24 to 26 C whatever the kitchen, a paste of rye warmer; common
// practice, no source.
const lowDoughC, highDoughC, ryeDoughC = 24.0, 26.0, 28.0

// usualDoughC is the temperature to which the dough is mixed.
func (w Wish) usualDoughC() float64 {
	c := min(max(w.Room.C, lowDoughC), highDoughC)
	if w.Batch.Kind() == bake.Rye {
		c = ryeDoughC
	}
	if _, err := w.Batch.MixingWater(w.mixing(c)); err != nil {
		return w.Room.C
	}
	return c
}

// mixing is what is known when the water is drawn.
func (w Wish) mixing(doughC float64) bake.Mixing {
	return bake.Mixing{TargetC: doughC, FlourC: w.Room.C, RoomC: w.Room.C, By: w.Mixing, LearntC: w.WarmerC}
}

// Validate refuses what cannot be planned.
func (w Wish) Validate() error {
	if err := w.Batch.Validate(); err != nil {
		return fmt.Errorf("batch: %w", err)
	}
	if w.Batch.Yeasted() {
		return refuse("batch", "yeast", nil)
	}
	if w.Batch.Perishable() && !w.MilkInTheWarm {
		return refuse("batch", "perishable", nil)
	}
	if w.Batch.Levain.Grams == 0 {
		return refuse("batch.levain", "levain", nil)
	}
	return w.inRange()
}

// inRange refuses temperatures and times that no household has.
func (w Wish) inRange() error {
	for _, c := range []struct {
		field, unit  string
		v, low, high float64
	}{
		{"air", "c", w.Room.C, 10, 35}, {"dough", "c", w.DoughC, 10, 35}, {"warm", "c", orRoom(w.Warm.C, w.Room.C), 10, 35},
		{"fridge", "c", w.FridgeC, 0, 10}, {"target", "percent", orRoom(w.TargetPercent, 100), 20, 300}, {"total", "percent", orRoom(w.TotalPercent, 100), 20, 300},
	} {
		if !(c.v >= c.low && c.v <= c.high) {
			return refuse(c.field, "between."+c.unit, bake.Values{"what": bake.Said{Key: "plan.field." + c.field}, "low_" + c.unit: c.low, "high_" + c.unit: c.high, "found_" + c.unit: c.v})
		}
	}
	if d := w.ReadyAt.Sub(w.Now); d <= 0 || d > 4*24*time.Hour {
		return refuse("ready", "ready", bake.Values{"found": w.ReadyAt})
	}
	return nil
}

// Refusal is a wish that cannot be planned.
type Refusal struct {
	Field string // of the wish: "ready", "air", "batch" ...
	Why   bake.Said
}

// Error gives the field and the key of the reason; whoever shows it to a person says Why.
func (r Refusal) Error() string { return fmt.Sprintf("%s: %s %v", r.Field, r.Why.Key, r.Why.Values) }

func refuse(field, key string, v bake.Values) error {
	return Refusal{field, bake.Said{Key: "plan.refused." + key, Values: v}}
}

func orRoom(c, room float64) float64 {
	if c == 0 {
		return room
	}
	return c
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
func (w Wish) prior(inoculationPercent float64) (p forecast.Prior, usualRate float64) {
	past := bake.PastOf(w.Now, forecast.Params{}, w.Batch)
	base := bake.Learn(estimator.Dough, nil, past)
	p = base
	if w.Prior != nil {
		p = *w.Prior
	}
	p.LogCeiling.SD = min(p.LogCeiling.SD, knownCeilingSD)
	p.LogRate.SD = min(p.LogRate.SD, knownRateSD)
	p.Lag.SD = min(p.Lag.SD, knownLagSD)
	past.InoculationShare = inoculationPercent / 100
	then := bake.Learn(estimator.Dough, nil, past)
	p.LogRate.Mean += then.LogRate.Mean - base.LogRate.Mean
	p.Lag.Mean += then.Lag.Mean - base.Lag.Mean
	return p, then.LogRate.Mean
}

// fridge is the refrigerator with a piece of dough in it.
func (w Wish) fridge(pieceKg float64) heat.Fridge {
	return heat.Fridge{AirC: w.FridgeC, PieceKg: pieceKg}
}

// loafKg is the mass of one piece.
func (w Wish) loafKg() float64 {
	n, _ := w.Batch.Numbers()
	return n.PerLoafG / 1000
}

// massKg is the dough in the tub.
func (w Wish) massKg() float64 {
	n, _ := w.Batch.Numbers()
	return n.TotalG / 1000
}

// Asleep reports whether the household sleeps at t.
func (w Wish) Asleep(t time.Time) bool { return w.withDefaults().asleep(t) }

func (w Wish) asleep(t time.Time) bool { return w.inNight(t, 0) }

// grace is how far into the night, at either end, a hand is still lent.
const grace = 30

// busy reports whether nobody can lend a hand at t: asleep, with half an hour of
// grace at either end, or away.
func (w Wish) busy(t time.Time) bool { return w.inNight(t, grace) || w.away(t) }

func (w Wish) away(t time.Time) bool {
	for _, s := range w.Away {
		if t.After(s.From) && t.Before(s.Until) {
			return true
		}
	}
	return false
}

// ovenClash reports whether another bake has the oven in a span.
func (w Wish) ovenClash(mine Span) bool {
	return slices.ContainsFunc(w.OvenTaken, func(s Span) bool { return mine.From.Before(s.Until) && mine.Until.After(s.From) })
}

// inNight reports whether t lies between bed and wake, less so many minutes at
// either end.
func (w Wish) inNight(t time.Time, less int) bool {
	const day = 24 * 60
	m := (t.Hour()*60 + t.Minute() - w.BedMin + day) % day
	length := (w.WakeMin - w.BedMin + day) % day
	return m > less && m < length-less
}

// nextFree is the next moment at which somebody is awake and at home, t itself when
// that is so.
func (w Wish) nextFree(t time.Time) time.Time {
	for range len(w.Away) + 2 {
		if w.asleep(t) {
			wake := onDay(t, w.WakeMin)
			if !wake.After(t) {
				wake = onDay(t.AddDate(0, 0, 1), w.WakeMin)
			}
			t = wake
		}
		for _, s := range w.Away {
			if t.After(s.From) && t.Before(s.Until) {
				t = s.Until
			}
		}
	}
	return t
}

// lastFree is the last such moment not after t.
func (w Wish) lastFree(t time.Time) time.Time {
	for range len(w.Away) + 2 {
		if w.asleep(t) {
			t = w.lastBed(t)
		}
		for _, s := range w.Away {
			if t.After(s.From) && t.Before(s.Until) {
				t = s.From
			}
		}
	}
	return t
}

// lastBed is the last bedtime not after t.
func (w Wish) lastBed(t time.Time) time.Time {
	bed := onDay(t, w.BedMin)
	if bed.After(t) {
		bed = onDay(t.AddDate(0, 0, -1), w.BedMin)
	}
	return bed
}

// onDay is a minute of t's day.
func onDay(t time.Time, min int) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, min/60, min%60, 0, 0, t.Location())
}
