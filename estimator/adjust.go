package estimator

import (
	"time"

	"tidemark/estimator/forecast"
)

// SetTarget sets the mark in percent rise, over 0 and up to 1000; it wins over
// a table. 0 gives the mark back to the table by temperature, or to doubling
// when there is none. An impossible mark is ignored. The next Estimate looks
// anew: a mark that was reached and is put higher is no longer reached.
func (e *Estimator) SetTarget(percent float64) {
	if !(percent >= 0 && percent <= 1000) || percent == e.cfg.TargetPercent {
		return
	}
	before := e.target()
	e.cfg.TargetPercent = percent
	e.rise.urgent = true
	if e.target() > before {
		e.phases.markMoved(e.cached.at)
	}
}

// SetFanTo lets the fan reach to a rise beyond the mark as well, percent: what a
// night in the cold is to end at lies beyond where the bulk ends. Zero takes that
// back; a negative rise or none is ignored.
func (e *Estimator) SetFanTo(percent float64) {
	if !(percent >= 0 && percent <= 1000) || percent == e.fanTo {
		return
	}
	e.fanTo = percent
	e.rise.urgent = true
}

// SetLead sets how long before the mark the phase becomes Near; a negative lead
// is ignored.
func (e *Estimator) SetLead(d time.Duration) {
	if d >= 0 {
		e.cfg.Lead = d
	}
}

// SetPrior sets what is expected of the next rise, from the household's past
// ones. A rise under way keeps the prior it began with.
func (e *Estimator) SetPrior(p forecast.Prior) { e.cfg.Prior = &p }
