package estimator

import (
	"math"

	"tidemark/estimator/forecast"
)

// view is what the phase rules look at: the rise at one moment in numbers.
// Times are hours on the estimator's clock.
type view struct {
	now, start   float64
	known        bool // level and start level are known
	seeing       bool // the last believed reading is fresh
	rise, sd     float64
	rate, rateSD float64 // percent per hour
	target       float64
	lead         float64
	fall         float64 // share of the highest volume lost
	fallSD       float64
	highRise     float64 // highest rise since the last degas
	slow         float64 // present rate over the best, at equal temperature; NaN unknown
	sinceDegas   float64
	cold         bool
	growth       float64 // growth-hours so far
	speed        float64 // of growth at the temperature now, 1 at 24 C
	flat         bool    // readings have not changed for longer than usual
	out          outlook
}

// rises reports whether it is seen to rise.
func (v view) rises() bool { return v.seeing && v.rate > 2*v.rateSD && v.slow >= peakShare }

// outlook is what the forecast says. Times are hours on the estimator's clock.
type outlook struct {
	forecast.Crossing            // of the mark
	ceiling           [3]float64 // highest rise: low, median, high; NaN when unknown
	ends              [3]float64 // when growth ends, likewise
}

// noOutlook is an outlook that knows nothing.
func noOutlook() outlook {
	nan := math.NaN()
	none := [3]float64{nan, nan, nan}
	return outlook{forecast.Crossing{Even: math.Inf(1), Chance: nan}, none, none}
}

// debounce measures for how long a condition has been true without a break.
type debounce struct {
	on   bool
	from float64
}

// lasts reports whether cond has been true for the given hours up to now.
func (h *debounce) lasts(cond bool, now, hours float64) bool {
	if !cond {
		h.on = false
		return false
	}
	if !h.on {
		h.on, h.from = true, now
	}
	return now-h.from >= hours-1e-9 // times are sums of hours
}

// phases is the state machine of one rise. Every rule that moves it on must be true
// for a while, and it moves back only on a rule of its own, so it never flaps.
type phases struct {
	phase Phase
	since float64

	rising, near, far, ready, over, fallen, back debounce
	peak, falling, hungry, ending, short         debounce

	markGrowth float64 // growth-hours when it was at the mark, of a starter at its peak
	exhausted  bool    // no rise left to speak of
	levelsOff  bool
	mark       forecast.Crossing // when the mark was reached, as it was believed then; not known before
}

// startPhases is the machine at the start of a rise.
func startPhases(holds Holds, t float64) phases {
	if holds == Starter {
		return phases{phase: Lag, since: t}
	}
	return phases{phase: Settling, since: t}
}

// enter moves to a phase.
func (p *phases) enter(to Phase, now float64) { p.phase, p.since = to, now }

// advance looks at the rise and moves on where it must.
func (p *phases) advance(v view, holds Holds) {
	if !v.known {
		return
	}
	p.judgeEnd(v)
	p.seeMark(v)
	if holds == Starter {
		p.starter(v)
		return
	}
	p.dough(v)
}

// markMoved takes back that the mark was reached, after it was put higher. A
// dough with no rise left stays over.
func (p *phases) markMoved(now float64) {
	p.mark.Known, p.ready.on, p.near.on, p.far.on, p.over.on = false, false, false, false, false
	if p.phase == Near || p.phase == Ready || p.phase == Over && !p.exhausted {
		p.enter(Rising, max(now, p.since))
	}
}

// seeMark notes when the mark was reached, whatever the phase.
func (p *phases) seeMark(v view) {
	out := v.out.Crossing
	reached := v.seeing && (v.rise >= v.target || out.Past) || !v.seeing && out.Past && out.Until <= v.now
	if !p.ready.lasts(reached, v.now, markHours) || p.mark.Known || v.now-v.start <= settleHours {
		return
	}
	at := p.ready.from
	if out.Past {
		at = min(at, out.Median)
	}
	p.mark = forecast.Crossing{From: at, Median: at, Until: at, Even: at, Chance: 1, Past: true, Known: true}
	if out.Known {
		p.mark.From, p.mark.Until = min(out.From, at), max(out.Until, at)
	}
}

// judgeEnd decides whether the rise is exhausted or will stay short.
func (p *phases) judgeEnd(v view) {
	calm := v.seeing && !v.cold && !v.flat && v.sinceDegas > endCalm
	slow := v.slow < endShare && v.rise > realRise
	near := v.out.ceiling[2]-v.rise < endPoints
	p.exhausted = p.ending.lasts(calm && slow && near, v.now, endHours) || p.exhausted
	short := v.out.Chance < shortChance && v.growth > shortGrowth && v.sinceDegas > shortCalm
	idle := v.growth > deadGrowth && v.highRise < deadPoints
	p.levelsOff = v.rise < v.target &&
		(p.short.lasts(calm && (short || idle), v.now, endHours) || p.levelsOff && (v.out.Chance < shortAgain || idle))
}

// dough moves a dough's phase on.
func (p *phases) dough(v view) {
	if p.phase == Settling && v.now-v.start >= settleHours {
		p.enter(Lag, v.now)
	}
	switch p.phase {
	case Lag:
		p.leaveLag(v, doughLagPoints)
	case Rising, Near:
		p.beforeMark(v)
	}
	if p.phase == Ready {
		p.atMark(v)
	}
	if p.exhausted && (p.phase == Rising || p.phase == Near || p.phase == Ready) {
		p.enter(Over, v.now)
	}
	p.collapse(v)
}

// leaveLag sees the first rise.
func (p *phases) leaveLag(v view, points float64) {
	up := v.rise-1.3*v.sd > points && v.rate > v.rateSD || v.rise-3*v.sd > 3*points
	if p.rising.lasts(up, v.now, risingHours) {
		p.enter(Rising, v.now)
	}
}

// beforeMark watches for the mark and for the lead before it.
func (p *phases) beforeMark(v view) {
	toGo := v.out.Even - v.now
	switch {
	case p.mark.Known && p.ready.on:
		p.markGrowth = v.growth
		p.enter(Ready, v.now)
	case p.phase == Rising:
		if p.near.lasts(toGo <= v.lead+nearHours, v.now, nearHours) && toGo <= v.lead {
			p.far.on = false
			p.enter(Near, v.now)
		}
	case p.far.lasts(toGo > 1.5*v.lead+farHours, v.now, 2*farHours):
		p.near.on = false
		p.enter(Rising, v.now)
	}
}

// atMark watches what happens at the mark.
func (p *phases) atMark(v view) {
	if p.back.lasts(v.seeing && v.rise < v.target-backPoints && v.sinceDegas < 1, v.now, peakHours) {
		p.near.on, p.far.on, p.ready.on, p.mark.Known = false, false, false, false
		p.enter(Rising, v.now)
		return
	}
	past := v.rise >= v.target+overPoints || v.growth-p.markGrowth >= overGrowth
	if p.over.lasts(v.seeing && past, v.now, markHours) {
		p.enter(Over, v.now)
	}
}

// collapse sees a dough collapse: a slow fall that lasts, after a real rise.
func (p *phases) collapse(v view) {
	if p.phase == Fallen || p.phase == Settling || p.phase == Lag || v.highRise < realRise {
		return
	}
	limit := fallenShare
	if v.cold {
		limit = fallenCold
	}
	down := v.fall > max(limit, 4*v.fallSD) && (v.rate < v.rateSD || v.fall > 2*limit)
	if p.fallen.lasts(v.seeing && !v.flat && down, v.now, fallenHours) {
		p.enter(Fallen, v.now)
	}
}

// starter moves a starter's phase on.
func (p *phases) starter(v view) {
	switch p.phase {
	case Lag:
		p.leaveLag(v, starterLagPoints)
	case Rising:
		p.beforePeak(v)
	case Peak:
		p.atPeak(v)
	case Falling, Hungry:
		p.afterPeak(v)
	}
}

// beforePeak watches for the peak.
func (p *phases) beforePeak(v view) {
	if v.highRise < realRise || !v.seeing || v.flat || v.cold || v.sinceDegas < fallenHours {
		p.peak.on = false
		return
	}
	p.sinks(v) // what was lost before the peak was noticed counts for the fall
	// After a degas growth takes a while to show again.
	ended := v.slow < peakShare && v.sinceDegas >= endHours
	down := v.fall > max(fallingShare/2, 3*v.fallSD) && v.rate < 0
	if p.peak.lasts(ended || down, v.now, peakHours) {
		p.markGrowth = v.growth
		p.enter(Peak, v.now)
	}
}

// atPeak watches for the fall, and for a second rise.
func (p *phases) atPeak(v view) {
	if p.back.lasts(v.seeing && v.slow > 3*peakShare && v.rate > 2*v.rateSD && v.fall < fallingShare/3, v.now, againHours) {
		p.peak.on = false
		p.enter(Rising, v.now)
		return
	}
	if p.sinks(v) {
		p.enter(Falling, v.now)
	}
	p.hunger(v)
}

// sinks reports whether it has lost volume for some minutes.
func (p *phases) sinks(v view) bool {
	return p.falling.lasts(v.seeing && !v.flat && v.fall > max(fallingShare, 3*v.fallSD), v.now, fallingHours)
}

// afterPeak watches for hunger, and for a new rise: it was stirred or fed and nobody
// said so.
func (p *phases) afterPeak(v view) {
	if p.back.lasts(v.rises() && v.slow > 3*peakShare, v.now, againHours) {
		p.peak.on, p.falling.on, p.hungry.on = false, false, false
		p.enter(Rising, v.now)
		return
	}
	if p.phase == Falling {
		p.hunger(v)
	}
}

// hunger sees when it should be fed.
func (p *phases) hunger(v view) {
	lost := v.seeing && v.highRise > 0 && v.rise < v.highRise*(1-hungryLoss)
	long := v.growth-p.markGrowth > hungryGrowth && p.markGrowth > 0
	if p.hungry.lasts((lost || long) && !v.rises(), v.now, fallenHours) {
		p.enter(Hungry, v.now)
	}
}
