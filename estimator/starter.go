package estimator

// Limits for a starter, in points of rise, shares and growth-hours. What counts
// as hungry is common practice, no source.
const (
	starterLagPoints = 4
	peakShare        = 0.12 // rate against the best
	fallingShare     = 0.03
	hungryLoss       = 1.0 / 3 // of the rise at the peak
	hungryGrowth     = 4       // growth-hours after the peak
)

// starter moves a starter's phase on.
func (p *phases) starter(v view) {
	switch p.phase {
	case Lag:
		p.leaveLag(v, starterLagPoints)
	case Rising:
		p.starterRising(v)
	case Peak:
		p.starterPeak(v)
	case Falling, Hungry:
		p.starterFalling(v)
	}
}

// starterRising watches for the peak.
func (p *phases) starterRising(v view) {
	if v.highRise < 15 || !v.seeing || v.still || v.cold || v.sinceKnock < minutes(8) {
		p.peak.on = false
		return
	}
	// What was lost before the peak was noticed counts for the fall.
	p.starterSinks(v)
	// After a knock growth takes a while to show again.
	flat := v.slow < peakShare && v.sinceKnock >= minutes(20)
	down := v.fall > max(0.015, 3*v.fallSD) && v.rate < 0
	if p.peak.lasts(flat || down, v.now, minutes(5)) {
		p.enter(Peak, v.now, "At its peak: growth has stopped at %.0f %%.", v.highRise)
	}
}

// starterPeak watches for the fall, and for a second rise.
func (p *phases) starterPeak(v view) {
	if p.back.lasts(v.seeing && v.slow > 3*peakShare && v.rate > 2*v.rateSD && v.fall < 0.01, v.now, minutes(15)) {
		p.peak.on = false
		p.enter(Rising, v.now, "Rising again after a pause.")
		return
	}
	if p.starterSinks(v) {
		p.enter(Falling, v.now, "Falling: %.0f %% of the volume lost since the peak.", 100*v.fall)
	}
	p.starterHungry(v)
}

// starterSinks reports whether it has lost volume for some minutes.
func (p *phases) starterSinks(v view) bool {
	return p.falling.lasts(v.seeing && !v.still && v.fall > max(fallingShare, 3*v.fallSD), v.now, minutes(6))
}

// starterFalling watches for hunger, and for a new rise: it was stirred or fed and
// nobody said so.
func (p *phases) starterFalling(v view) {
	if p.back.lasts(v.rises() && v.slow > 3*peakShare, v.now, minutes(15)) {
		p.peak.on, p.falling.on, p.hungry.on = false, false, false
		p.enter(Rising, v.now, "Rising again.")
		return
	}
	if p.phase == Falling {
		p.starterHungry(v)
	}
}

// rises reports whether it is seen to rise.
func (v view) rises() bool { return v.seeing && v.rate > 2*v.rateSD && v.slow >= peakShare }

// starterHungry sees when it should be fed.
func (p *phases) starterHungry(v view) {
	lost := v.seeing && v.highRise > 0 && v.rise < v.highRise*(1-hungryLoss)
	long := v.growth-p.readyGrowth > hungryGrowth && p.readyGrowth > 0
	if !p.hungry.lasts((lost || long) && !v.rises(), v.now, minutes(8)) {
		return
	}
	if lost {
		p.enter(Hungry, v.now, "Hungry: down from %.0f %% to %.0f %%.", v.highRise, v.rise)
		return
	}
	p.enter(Hungry, v.now, "Hungry: %.0f hours of growth since the peak.", v.growth-p.readyGrowth)
}
