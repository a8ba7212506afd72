package estimator

import (
	"math"
	"time"

	"tidemark/estimator/forecast"
)

// cached is what the last fit said.
type cached struct {
	asked  bool
	hasty  bool // the last fit was made while catching up
	fitted bool
	at     float64 // hours
	fanAt  float64
	out    outlook
	carry  float64
	target float64
	fan    []FanPoint
	look   LookRequest
}

// refit brings the forecast up to date when there is news or time has passed.
func (e *Estimator) refit(t float64, hasty bool) {
	r := &e.rise
	if !r.active {
		return
	}
	target := e.target()
	urgent := r.urgent || math.Abs(target-e.cached.target) > 2
	news, every := e.fit.News() && !hasty, refitHours
	if hasty {
		every = refitHasty
	}
	if late := e.cached.hasty && !hasty; e.cached.asked && !urgent && !late && !news && t-e.cached.at < every {
		return
	}
	e.cached.hasty = hasty
	r.urgent = false
	e.fit.Refit(t - r.start)
	e.ask(t, target, urgent)
}

// ask reads the forecast.
func (e *Estimator) ask(t, target float64, urgent bool) {
	c := &e.cached
	c.at, c.target, c.asked = t, target, true
	low, mid, high := e.fit.Ceiling()
	c.fitted = !math.IsNaN(mid)
	c.out = outlook{e.markAhead(target), [3]float64{low, mid, high}, e.growthEnds(t)}
	if c.hasty {
		c.fan, c.carry = nil, math.NaN()
		return
	}
	if urgent || len(c.fan) == 0 || t-c.fanAt >= fanHours {
		_, c.carry, _ = e.fit.CarryOver()
		c.look = e.lookRequest(t, target)
		e.askFan(t)
	}
}

// markAhead says when the mark is reached, or was, in hours on the estimator's clock.
func (e *Estimator) markAhead(target float64) forecast.Crossing {
	if e.phases.mark.Known {
		return e.phases.mark
	}
	c := e.fit.Crossing(target)
	for _, at := range []*float64{&c.From, &c.Median, &c.Until, &c.Even} {
		*at += e.rise.start
	}
	return c
}

// growthEnds says when growth ends, or has ended: low, median, high.
func (e *Estimator) growthEnds(t float64) [3]float64 {
	from, median, until := e.fit.Ends()
	ends := [3]float64{e.rise.start + from, e.rise.start + median, e.rise.start + until}
	over, rise := &e.rise.grewUntil, &e.rise.grewTo
	now, _ := e.fit.Rise(t - e.rise.start)
	if !(ends[1] <= t+stirsAgain) || now > *rise+forecast.EndPoints { // unknown as well
		*over = 0
	}
	if ends[1] <= t && *over == 0 {
		*over, *rise = t, now
	}
	if *over > 0 {
		for i := range ends {
			ends[i] = min(ends[i], *over)
		}
	}
	return ends
}

// askFan fills the fan from now to well past the mark.
func (e *Estimator) askFan(t float64) {
	c := &e.cached
	c.fan, c.fanAt = nil, t
	if !c.fitted {
		return
	}
	span := 6.0
	if c.out.Known {
		span = min(max(1.4*(c.out.Until-t), 2), 24)
	}
	span = max(span, e.spanBeyond(t))
	step := duration(span / (fanColumns - 1)).Round(time.Minute)
	for i := range fanColumns {
		low, mid, high := e.fit.Ahead(step.Hours() * float64(i))
		c.fan = append(c.fan, FanPoint{e.clock.at(t).Add(time.Duration(i) * step), low, mid, high})
	}
}

// spanBeyond is how far the fan must reach so that its middle gets to the rise
// beyond the mark that was asked for, hours; 0 when none was or it never does.
func (e *Estimator) spanBeyond(t float64) float64 {
	if e.fanTo <= e.target() {
		return 0
	}
	far := e.fit.Crossing(e.fanTo)
	if !far.Known {
		return 0
	}
	return min(1.15*(e.rise.start+far.Median-t)+0.5, 24)
}

// target is the mark now, percent: the user's own number, else by the table and
// the dough's temperature, else doubling.
func (e *Estimator) target() float64 {
	if e.cfg.TargetPercent > 0 {
		return e.cfg.TargetPercent
	}
	if by := e.cfg.TargetTable.At(e.rise.tableC); !math.IsNaN(by) {
		return by
	}
	return DefaultTargetPercent
}
