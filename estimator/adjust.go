package estimator

import "time"

// SetTarget sets the mark in percent rise, over 0 and up to 1000; it wins over
// a table. An impossible mark is ignored. It tells the next Estimate to look
// anew.
func (e *Estimator) SetTarget(percent float64) {
	if !(percent > 0 && percent <= 1000) {
		return
	}
	e.cfg.TargetPercent = percent
}

// Shift moves the whole timeline by d: for a clock that was wrong from the start
// and has been set now. Intervals stay as they are.
func (e *Estimator) Shift(d time.Duration) {
	if !e.clock.epoch.IsZero() {
		e.clock.epoch = e.clock.epoch.Add(d)
		e.clock.last = e.clock.last.Add(d)
		if !e.clock.lastRead.IsZero() {
			e.clock.lastRead = e.clock.lastRead.Add(d)
		}
	}
}

// SetLead sets how long before the mark the phase becomes Near; a negative lead
// is ignored.
func (e *Estimator) SetLead(d time.Duration) {
	if d >= 0 {
		e.cfg.Lead = d
	}
}
