package estimator

// Limits for dough, in points of rise, shares of volume and hours.
const (
	doughLagPoints = 3
	nearHold       = 2.0 / 60 // hours; a single bad forecast does not last as long
	overPoints     = 15       // so far past the mark is over
	overGrowth     = 0.5      // so many growth-hours at the mark is over
	fallenShare    = 0.06
	fallenCold     = 0.16 // chilled gas shrinks and dissolves: not a collapse
)

// dough moves a dough's phase on.
func (p *phases) dough(v view) {
	if p.phase == Settling && v.now-v.start >= settleHours {
		p.enter(Lag, v.now, "The level has settled; no rise to speak of yet.")
	}
	if p.phase == Lag {
		p.leaveLag(v, doughLagPoints)
	}
	if p.phase == Rising || p.phase == Near {
		p.doughBeforeMark(v)
	}
	if p.phase == Ready {
		p.doughAtMark(v)
	}
	if p.phase == Rising || p.phase == Near || p.phase == Ready {
		if p.exhausted != "" {
			p.enter(Over, v.now, "%s", p.exhausted)
		}
	}
	p.doughFallen(v)
}

// leaveLag sees the first rise.
func (p *phases) leaveLag(v view, points float64) {
	up := v.rise-1.3*v.sd > points && v.rate > v.rateSD || v.rise-3*v.sd > 3*points
	if p.rising.lasts(up, v.now, minutes(4)) {
		p.enter(Rising, v.now, "Rising since the level stands %.0f %% above the start.", v.rise)
	}
}

// doughBeforeMark watches for the mark and for the lead before it.
func (p *phases) doughBeforeMark(v view) {
	if p.reached > 0 && p.ready.on {
		p.readyGrowth = v.growth
		p.enter(Ready, v.now, "The mark of %.0f %% is reached.", v.target)
		return
	}
	toGo := v.out.even - v.now
	if p.phase == Rising {
		if p.near.lasts(toGo <= v.lead+nearHold, v.now, nearHold) && toGo <= v.lead {
			p.far.on = false
			p.enter(Near, v.now, "By the forecast the mark of %.0f %% is %.0f minutes away.", v.target, max(toGo*60, 0))
		}
		return
	}
	far := toGo > 1.5*v.lead+minutes(10)
	if p.far.lasts(far, v.now, minutes(20)) {
		p.near.on = false
		p.enter(Rising, v.now, "The mark is farther away than it seemed.")
	}
}

// doughAtMark watches what happens at the mark.
func (p *phases) doughAtMark(v view) {
	if p.back.lasts(v.seeing && v.rise < v.target-8 && v.sinceKnock < 1, v.now, minutes(5)) {
		p.near.on, p.far.on, p.ready.on, p.reached = false, false, false, 0
		p.enter(Rising, v.now, "Knocked down below the mark again.")
		return
	}
	far := v.rise >= v.target+overPoints
	long := v.growth-p.readyGrowth >= overGrowth
	if !p.over.lasts(v.seeing && (far || long), v.now, minutes(1.5)) {
		return
	}
	if far {
		p.enter(Over, v.now, "%.0f points past the mark of %.0f %%.", v.rise-v.target, v.target)
		return
	}
	p.enter(Over, v.now, "At the mark of %.0f %% for more than half an hour of growth.", v.target)
}

// doughFallen sees a collapse: a slow fall that lasts, after a real rise.
func (p *phases) doughFallen(v view) {
	if p.phase == Fallen || p.phase == Settling || p.phase == Lag || v.highRise < 15 {
		return
	}
	limit := fallenShare
	if v.cold {
		limit = fallenCold
	}
	down := v.fall > max(limit, 4*v.fallSD) && (v.rate < v.rateSD || v.fall > 2*limit)
	if p.fallen.lasts(v.seeing && !v.still && down, v.now, minutes(8)) {
		p.enter(Fallen, v.now, "Fallen by %.0f %% of its volume from the highest level.", 100*v.fall)
	}
}
