package planner

import (
	"fmt"
	"time"

	"tidemark/bake"
	"tidemark/bake/heat"
	"tidemark/estimator/forecast"
)

// Place is where the dough may stand.
type Place struct {
	Name string  // in words, e.g. "on the counter"
	C    float64 // expected air temperature, Celsius
	SD   float64 // its doubt, one standard deviation; 0 counts as 1.5
}

// Starter is what is known of the starter.
type Starter struct {
	RipeFrom  time.Time // usable between these; both zero when it must be fed first
	RipeUntil time.Time
	Past      []bake.PastFeed
}

// Wish is what the household wants and what it has.
type Wish struct {
	Now     time.Time // in the household's zone: nights are told by its clock
	ReadyAt time.Time // the loaf is cool enough to slice

	Batch         bake.Batch
	TargetPercent float64 // rise at the end of the bulk of a bread baked the same day; 0 counts as 100
	ColdTotal     float64 // rise of a retarded dough, what the cold adds included; 0 counts as DefaultColdTotal
	DoughC        float64 // after mixing; 0 counts as the room's
	Room          Place
	Warm          Place   // a warmer spot; C 0 when there is none
	FridgeC       float64 // 0 counts as 4
	NoFridge      bool    // there is no room in it

	Prior   *forecast.Prior // of this household and batch (bake.Learn); nil for the published one
	Starter Starter

	BedMin, WakeMin int // asleep from and until, minutes after midnight; both 0 count as 22:30 and 06:30
}

// DefaultColdTotal is the rise in percent, as if left alone, that a retarded
// dough comes to under the published table of rises at the end of bulk
// (T. Cucuzza, January 2023): its rows, plus 40 minutes of shaping, plus what
// the published cooling curve still allows. With the middle dough of the
// published prior every row comes to 134 to 136 %, with a slower dough that
// keeps the usual bulk times (50 % in 5.5 h at 25 C) to 107 to 127 %
// (computed; see the tests). The middle of both is taken.
const DefaultColdTotal = 120.0

// withDefaults fills what was left open.
func (w Wish) withDefaults() Wish {
	set := func(v *float64, to float64) {
		if *v == 0 {
			*v = to
		}
	}
	set(&w.TargetPercent, 100)
	set(&w.ColdTotal, DefaultColdTotal)
	set(&w.DoughC, w.Room.C)
	set(&w.FridgeC, 4)
	set(&w.Room.SD, 1.5)
	set(&w.Warm.SD, 1.5)
	if w.Room.Name == "" {
		w.Room.Name = "in the room"
	}
	if w.Warm.Name == "" {
		w.Warm.Name = "in the warmer spot"
	}
	if w.BedMin == 0 && w.WakeMin == 0 {
		w.BedMin, w.WakeMin = 22*60+30, 6*60+30
	}
	w.ReadyAt = w.ReadyAt.In(w.Now.Location())
	return w
}

// Validate refuses what cannot be planned.
func (w Wish) Validate() error {
	if err := w.Batch.Validate(); err != nil {
		return fmt.Errorf("batch: %w", err)
	}
	if w.Batch.Levain.Grams == 0 {
		return bake.FieldError{Field: "batch.levain", Msg: "a plan needs a levain, found none"}
	}
	for _, c := range []struct {
		field     string
		v         float64
		low, high float64
	}{
		{"air", w.Room.C, 10, 35}, {"dough", w.DoughC, 10, 35}, {"warm", orRoom(w.Warm.C, w.Room.C), 10, 35},
		{"target", w.TargetPercent, 20, 300},
		{"cold-total", w.ColdTotal, 20, 300}, {"fridge", w.FridgeC, 0, 10},
	} {
		if !(c.v >= c.low && c.v <= c.high) {
			return bake.FieldError{Field: c.field, Msg: fmt.Sprintf("must be %g to %g, found %g", c.low, c.high, c.v)}
		}
	}
	if d := w.ReadyAt.Sub(w.Now); d <= 0 || d > 4*24*time.Hour {
		return bake.FieldError{Field: "ready", Msg: fmt.Sprintf("must lie within four days from now, found %s, now is %s",
			w.ReadyAt.Format("2006-01-02 15:04"), w.Now.Format("2006-01-02 15:04"))}
	}
	if w.BedMin < 0 || w.BedMin >= 24*60 || w.WakeMin < 0 || w.WakeMin >= 24*60 {
		return bake.FieldError{Field: "sleep", Msg: "bed and wake are minutes after midnight, below 1440"}
	}
	return nil
}

func orRoom(c, room float64) float64 {
	if c == 0 {
		return room
	}
	return c
}

// The published prior must cover any dough in any kitchen. A plan knows levain,
// salt and temperature; what is left is the factor of two by which published
// bulk times differ at one temperature (common practice): 0.27 in the
// logarithm, taken as 0.35 to be careful. Ceiling and lag likewise.
const (
	knownRateSD    = 0.35
	knownCeilingSD = 0.25
	knownLagSD     = 0.20
)

// prior is what is believed of the batch's rise, for a share of fermented
// flour in percent.
func (w Wish) prior(inoculationPercent float64) forecast.Prior {
	n, _ := w.Batch.Numbers()
	p := forecast.DefaultPrior("dough").Inoculated(n.InoculationPercent / 100).Salted(n.SaltPercent)
	if w.Prior != nil {
		p = *w.Prior
	}
	p.LogCeiling.SD = min(p.LogCeiling.SD, knownCeilingSD)
	p.LogRate.SD = min(p.LogRate.SD, knownRateSD)
	p.Lag.SD = min(p.Lag.SD, knownLagSD)
	base := forecast.DefaultPrior("dough")
	now, then := base.Inoculated(n.InoculationPercent/100), base.Inoculated(inoculationPercent/100)
	p.LogRate.Mean += then.LogRate.Mean - now.LogRate.Mean
	p.Lag.Mean += then.Lag.Mean - now.Lag.Mean
	return p
}

// fridge is the refrigerator with one of the batch's loaves in it.
func (w Wish) fridge() heat.Fridge {
	n, _ := w.Batch.Numbers()
	return heat.Fridge{AirC: w.FridgeC, PieceKg: n.PerLoafG / 1000}
}

// massKg is the dough in the tub.
func (w Wish) massKg() float64 {
	n, _ := w.Batch.Numbers()
	return n.TotalG / 1000
}

// asleep reports whether the household sleeps at t.
func (w Wish) asleep(t time.Time) bool {
	m := t.Hour()*60 + t.Minute()
	if w.BedMin <= w.WakeMin {
		return m > w.BedMin && m < w.WakeMin
	}
	return m > w.BedMin || m < w.WakeMin
}

// nextWake is the next moment nobody sleeps, t itself when awake.
func (w Wish) nextWake(t time.Time) time.Time {
	if !w.asleep(t) {
		return t
	}
	wake := onDay(t, w.WakeMin)
	if wake.Before(t) {
		wake = onDay(t.AddDate(0, 0, 1), w.WakeMin)
	}
	return wake
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
