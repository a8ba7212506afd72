package planner

import (
	"errors"
	"fmt"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/bake/heat"
	"tidemark/estimator"
)

// Move is when to put a rising dough into the cold so that what the cold still
// adds lands it on the wanted rise.
type Move struct {
	At         estimator.Window
	AtPercent  float64 // rise then, by the forecast's middle
	CarryHours float64 // equivalent hours the cold still adds
	LandsAt    float64 // rise it lands on when moved at At.Median, percent
	ShapeFrom  time.Time
	CoolHours  float64 // until the dough is down to 10 C
	Now        bool    // the time has come, or is past
}

// MoveToFridge computes the move from a live estimate. shaping is the work
// between the end of the bulk and the cold, speed the dough's own temperature
// now. It needs a forecast fan and a dough temperature.
func MoveToFridge(est estimator.Estimate, f heat.Fridge, targetPercent float64, shaping time.Duration) (Move, error) {
	if err := f.Validate(); err != nil {
		return Move{}, err
	}
	if len(est.Fan) == 0 {
		return Move{}, errors.New("no forecast to plan the move from: wait until the rise has one")
	}
	c := est.DoughC
	if math.IsNaN(c) {
		c = est.AirC
	}
	if math.IsNaN(c) {
		return Move{}, errors.New("no dough or air temperature: the cooling cannot be computed")
	}
	speed := bake.Speed(c)
	m := Move{CarryHours: f.Carry(c, carryHours, bake.Speed)}
	ahead := hoursOf(m.CarryHours / speed) // the clock time the cold is worth here
	w, ok := bake.FanCrossing(est, targetPercent)
	if !ok {
		return Move{}, fmt.Errorf("the forecast does not reach %.0f %%: it levels off near %.0f %%", targetPercent, est.CeilingPercent)
	}
	m.At = estimator.Window{From: w.From.Add(-ahead), Median: w.Median.Add(-ahead), Until: w.Until.Add(-ahead)}
	if m.Now = !m.At.Median.After(est.Time); m.Now {
		m.At = estimator.Window{From: est.Time, Median: est.Time, Until: later(m.At.Until, est.Time)}
	}
	_, m.AtPercent, _ = bake.FanAt(est.Fan, m.At.Median)
	_, m.LandsAt, _ = bake.FanAt(est.Fan, m.At.Median.Add(ahead))
	m.ShapeFrom = m.At.Median.Add(-shaping)
	m.CoolHours = f.Until(c, coldC)
	return m, nil
}

// coldC is where a dough hardly works any more, Celsius.
const coldC = 10.0

// Outlook is what becomes of a dough that stays out.
type Outlook struct {
	Until          time.Time
	P10, P50, P90  float64 // rise then, percent
	Under, Over    float64 // chance of being below 80 %, above 125 % of the target
	BeyondForecast bool    // the forecast ends earlier; its end was taken
	Cold           bool    // it goes into the refrigerator then
}

// StaysOut answers "what if it stays out until t". When f is not nil the dough
// goes into that refrigerator at t and what the cold adds is counted.
func StaysOut(est estimator.Estimate, t time.Time, targetPercent float64, f *heat.Fridge) (Outlook, error) {
	if len(est.Fan) == 0 {
		return Outlook{}, refuse("until", "no_forecast", nil)
	}
	if t.Before(est.Time) {
		return Outlook{}, refuse("until", "past", bake.Values{"found": t})
	}
	at := t
	if c := est.DoughC; f != nil && !math.IsNaN(c) {
		at = t.Add(hoursOf(f.Carry(c, carryHours, bake.Speed) / bake.Speed(c)))
	}
	o := Outlook{Until: t, Cold: f != nil, BeyondForecast: at.After(est.Fan[len(est.Fan)-1].Time)}
	o.P10, o.P50, o.P90 = bake.FanAt(est.Fan, at)
	o.Under = below(o, lowShare*targetPercent)
	o.Over = 1 - below(o, highShare*targetPercent)
	return o, nil
}

// Said is the outlook as a sentence.
func (o Outlook) Said() bake.Said {
	key := "plan.left_out"
	if o.Cold {
		key += ".cold"
	}
	return bake.Said{Key: key, Values: bake.Values{"until": o.Until, "rise_percent": o.P50, "low_percent": o.P10, "high_percent": o.P90, "verdict": o.verdict()}}
}

// below is the chance of a rise below a level, from two half normals through
// the three quantiles.
func below(o Outlook, level float64) float64 {
	half := o.P90 - o.P50
	if level < o.P50 {
		half = o.P50 - o.P10
	}
	if half <= 0 {
		half = 0.5
	}
	z := (level - o.P50) / half * 1.2816
	return 0.5 * math.Erfc(-z/math.Sqrt2)
}

// verdict puts the chances into words.
func (o Outlook) verdict() bake.Said {
	for _, least := range []struct {
		key    string
		chance float64
	}{{"likely", 0.5}, {"maybe", 0.35}, {"small", 0.15}} {
		switch {
		case o.Over >= least.chance:
			return bake.Said{Key: "plan.verdict.over." + least.key, Values: bake.Values{"chance_percent": 100 * o.Over}}
		case o.Under >= least.chance:
			return bake.Said{Key: "plan.verdict.under." + least.key, Values: bake.Values{"chance_percent": 100 * o.Under}}
		}
	}
	return bake.Said{Key: "plan.verdict.right"}
}

// shaping is the usual work between the end of the bulk and the cold. Common practice,
// no source.
const shaping = 40 * time.Minute

// tooVague: a forecast with a wider window moves no mark.
const tooVague = 3 * time.Hour

// The end of a bulk moves by no less than 3 points, nor by less than a third of what the
// forecast itself doubts there: the rest is its noise. This project's choice.
const leastMove, moveShare = 3.0, 1.0 / 3

// Replan adjusts a process under way to the live rise: the bulk's end follows
// the carry-over computed from the dough as it is now. It returns what changed
// the zero Said when nothing did. Only a process with a retard and an open
// bulk is touched.
func Replan(p *bake.Process, est estimator.Estimate, f heat.Fridge, targetPercent float64) (bake.Said, error) {
	bulk, ok := openBulk(p)
	if !ok || !hasRetard(p) || len(est.Fan) == 0 {
		return bake.Said{}, nil
	}
	m, err := MoveToFridge(est, f, targetPercent, shaping)
	if err != nil {
		return bake.Said{}, err
	}
	if m.At.Until.Sub(m.At.From) > tooVague {
		return bake.Said{}, nil
	}
	low, end, high := bake.FanAt(est.Fan, later(m.ShapeFrom, est.Time))
	end = math.Max(5, math.Round(end))
	if math.Abs(end-bulk.RisePercent) < math.Max(leastMove, moveShare*(high-low)) {
		return bake.Said{}, nil
	}
	was := bulk.RisePercent
	p.Usually(bake.BulkID, end, bulk.Usual)
	p.Reworded(bake.BulkID, "bulk.percent", bake.Values{"rise_percent": end})
	v := bake.Values{"bulk_percent": end, "was_percent": was, "mass_g": 1000 * f.PieceKg, "cool_tenth": m.CoolHours, "cold_c": coldC, "hours_tenth": m.CarryHours, "usual_c": 24.0}
	if was == 0 {
		return bake.Said{Key: "plan.replan", Values: v}, nil
	}
	return bake.Said{Key: "plan.replan.moved", Values: v}, nil
}

// openBulk finds the bulk when it is not over.
func openBulk(p *bake.Process) (bake.StepDef, bool) {
	for _, d := range p.Defs {
		if d.ID == bake.BulkID {
			s := p.Marks[d.ID].State
			return d, s != bake.Done && s != bake.Skipped
		}
	}
	return bake.StepDef{}, false
}

func hasRetard(p *bake.Process) bool {
	for _, d := range p.Defs {
		if d.ID == bake.RetardID {
			return true
		}
	}
	return false
}
