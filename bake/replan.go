package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// How the live rise moves the end of a planned bulk: only a forecast with a window no
// wider than tooVague does, by no less than 3 points, nor by less than a third of what the
// forecast doubts there: the rest is its noise. This project's choice. Shaping lies
// between the bulk and the cold; common practice, no source.
const (
	tooVague             = 3 * time.Hour
	leastMove, moveShare = 3.0, 1.0 / 3
	shaping              = 40 * time.Minute
	coldC                = 10.0 // a dough hardly works below
)

// Replan lets the open bulk of a process with a night in the cold end where the live rise,
// with shaping and what the cold still adds, comes to so much. It returns what changed;
// the zero Said when nothing did.
func (p *Process) Replan(e estimator.Estimate, f Fridge, totalPercent float64) Said {
	c := knownOr(e.DoughC, e.AirC)
	w, ok := FanCrossing(e, totalPercent)
	bulk, has := p.def(BulkID)
	if !has || p.closed(BulkID) || p.index(RetardID) < 0 || len(e.Fan) == 0 || c == 0 || !ok || w.Until.Sub(w.From) > tooVague {
		return Said{}
	}
	carry := f.Carry(c, CarryHours, Speed)
	at := later(w.Median.Add(-hoursOf(carry/Speed(c))), e.Time).Add(-shaping)
	low, end, high := FanAt(e.Fan, later(at, e.Time))
	end = math.Max(5, math.Round(end))
	if math.Abs(end-bulk.RisePercent) < math.Max(leastMove, moveShare*(high-low)) {
		return Said{}
	}
	p.bulkEndsAt(end)
	v := Values{"bulk_percent": end, "was_percent": bulk.RisePercent, "mass_g": 1000 * f.PieceKg, "cool_tenth": f.until(c, coldC), "cold_c": coldC, "hours_tenth": carry, "usual_c": 24.0}
	if bulk.RisePercent == 0 {
		return Said{"plan.replan", v}
	}
	return Said{"plan.replan.moved", v}
}

// bulkEndsAt lets the bulk end at a rise in percent.
func (p *Process) bulkEndsAt(percent float64) {
	p.Edit(BulkID, func(d *StepDef) {
		d.RisePercent, d.Key, d.Values = percent, "bulk.percent", Values{"rise_percent": percent}
	})
}
