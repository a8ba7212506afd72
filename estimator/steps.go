package estimator

import "math"

// knock takes a real loss of volume: a fold or a stir.
func (r *rise) knock(sizeMM, at, variance, level float64) {
	r.kf.jumpTo(level, variance)
	r.track.knocked(at)
	r.base.closed = true
	r.lastShift = at
	r.lastStep = step{sizeMM: sizeMM, at: at}
	r.news.disturb(at, r.share(sizeMM, level))
}

// moved notes that readings are off by a constant from now on.
func (r *rise) moved(sizeMM, at float64) {
	r.lastShift = at
	r.lastStep = step{sizeMM: sizeMM, at: at, moved: true}
	r.news.disturb(at, movedShare)
	r.notes.add(noteMoved, at, sizeMM)
}

// movedShare is the doubt about the level after the sensor moved, as a share of
// the start volume.
const movedShare = 0.03

// share is the doubt to allow for a knock of a size, as a share of the start
// volume: the size is measured, so a little more than that.
func (r *rise) share(sizeMM, level float64) float64 {
	lost := math.Abs(r.cfg.Profile.Volume(level-sizeMM) - r.cfg.Profile.Volume(level))
	start := max(r.cfg.Profile.Volume(r.base.first.level), 1e-6)
	return min(max(1.5*lost/start, 0.05), 1)
}

// stepKind is what a persistent jump is taken for.
type stepKind int

const (
	stepUnclear stepKind = iota // waits for longer than a lid is off
	stepEarly                   // hands at the start
	stepBack                    // back to where it was before the last step
	stepDrop                    // dough knocked down: a fold
	stepFalse                   // far below a start level that never grew: that was a lid
	stepGap                     // within what can have happened while nothing was seen
)

// foldable reports whether the pending drop can be a fold: it leaves at least
// the gas-free dough, and there were hands about, or it is early enough in the
// rise that folding is what one would do. A clean drop late in a rise is rather
// the sensor that moved.
func (r *rise) foldable(pred, t float64) bool {
	told := t-r.foldTold < handledHours
	messy := r.pend.first-r.messAt < minutes(4)
	least := 0.93 // of the start level
	if told || messy {
		least = 0.78 // folded into a ball with dents, it can stand lower than poured
	}
	if r.pend.early < least*r.base.first.level || r.pend.early < 0.5*pred {
		return false
	}
	volume := r.cfg.Profile.Volume
	early := r.cfg.Holds == Dough && volume(pred) < 1.55*volume(r.base.first.level)
	return told || messy || early
}

// A jump up by so much of the level, from at least so many mm, in the first
// minutes is no hand taken away.
const (
	lidOnShare = 0.25
	lidOnMM    = 15
)

// unseen reports whether a miss is within what the dough can have done while
// nothing was seen. Where the forecast stood in, growth is in the prediction.
func (r *rise) unseen(miss, pred, variance, blind float64) bool {
	sd := math.Sqrt(variance + r.bucketR)
	if r.carriedAt > r.goodAt {
		return math.Abs(miss) < 3*sd+1
	}
	return miss > -4*sd-1 && miss < 4*sd+1+fastest*pred*blind
}

// slowed reports whether a starter stands between where it was last seen and where
// it was foreseen: it grew less than that or has peaked meanwhile. Dough may have been
// folded; that is another matter.
func (r *rise) slowed(pred float64) bool {
	return r.cfg.Holds == Starter && r.pend.early < pred && r.pend.early > r.goodMM-3*math.Sqrt(r.bucketR)-1
}

// fellOn reports whether a level lower than foreseen after a gap goes on falling, as
// dough does that has collapsed and a sensor that was moved does not.
func (r *rise) fellOn(miss float64) bool {
	return miss < 0 && r.pend.first-r.goodAt > blindHours && -r.pend.speed()*r.pend.span() > max(2, 0.015*r.pend.level)
}

// fastest is how much dough can rise unseen, as a share of its level an hour.
const fastest = 0.5

// classify names the jump that the pending readings show, and its size in mm.
func (r *rise) classify(t float64) (stepKind, float64) {
	pred, variance := r.predict(r.pend.first)
	miss := r.pend.early - pred
	blind := r.pend.first - r.goodAt
	tolerance := max(4*math.Sqrt(variance+r.bucketR), 2.5, 0.25*math.Abs(r.lastStep.sizeMM))
	recent := r.lastStep.moved || t-r.lastStep.at < r.backWithin()
	switch {
	case r.lastStep.sizeMM != 0 && recent && math.Abs(miss+r.lastStep.sizeMM) < tolerance:
		return stepBack, miss
	case r.pend.first-r.start < settleHours && t-r.foldTold > handledHours:
		if miss > lidOnShare*pred && pred > lidOnMM && r.pend.span() < patienceHours {
			return stepUnclear, miss // something laid over dough that was seen already
		}
		return stepEarly, miss
	case blind > minutes(3) && (r.unseen(miss, pred, variance, blind) || r.slowed(pred)):
		return stepGap, miss
	case miss < 0 && r.foldable(pred, t):
		return stepDrop, miss
	case r.pend.early < 0.85*r.base.first.level && pred < 1.05*r.base.first.level:
		return stepFalse, miss
	}
	return stepUnclear, miss
}

// stepConfirmed reports whether the pending readings have agreed for long
// enough to be believed.
func (r *rise) stepConfirmed(t float64) bool {
	if r.pend.n < 3 {
		return false
	}
	kind, miss := r.classify(t)
	span := r.pend.span()
	switch {
	case kind == stepEarly || kind == stepBack || kind == stepGap:
		return span >= 40.0/3600
	case kind == stepDrop && t-r.foldTold < handledHours:
		return span >= 45.0/3600
	case kind == stepDrop:
		return span >= 3.0/60 && r.pend.n >= 4
	case kind == stepUnclear && r.cfg.Holds == Starter && r.fellOn(miss):
		return span >= 4.0/60 && r.pend.n >= 5
	}
	return span >= patienceHours && r.pend.n >= 5
}

// takeStep believes the pending readings.
func (r *rise) takeStep(t float64, n *noise) {
	kind, miss := r.classify(t)
	pred, doubt := r.predict(r.pend.first)
	slowed, fellOn := r.slowed(pred), r.fellOn(miss)
	at, level, early, speed := r.pend.first, r.pend.level, r.pend.early, r.pend.speed()
	r.kf.predict(max(t-r.kfAt, 0))
	r.kfAt = t
	variance := max(n.variance/float64(r.pend.n), 0.04)
	r.pend, r.bucket = pending{}, bucket{}
	r.shift.reset()
	switch {
	case kind == stepEarly || kind == stepFalse:
		r.restart(consensus{level, t, variance, 3})
	case kind == stepBack && r.lastStep.moved:
		r.offsetMM += miss
		r.offsetR += doubt + variance
		r.lastStep = step{}
		r.news.disturb(at, movedShare)
		r.notes.add(noteMovedBack, at, miss)
	case kind == stepBack:
		r.knock(miss, at, variance, level)
		r.lastStep = step{}
	case kind == stepGap && (miss > 0 || slowed || -miss < 3*math.Sqrt(variance+r.bucketR)+1 || t-r.goodAt > longBlind):
		r.kf.jumpTo(level, variance)
	case kind == stepGap && r.cfg.Holds == Starter: // nobody folds it: it has peaked
		r.kf.jumpTo(level, variance)
		r.kf.turnTo(0)
		r.notes.add(noteSank, at, miss)
	case kind == stepGap:
		r.knock(miss, at, variance, level)
		r.notes.add(noteDropInGap, at, miss)
	case kind == stepUnclear && miss > 0 && r.grewUnseen(speed, early, at):
		r.kf.jumpTo(level, variance)
	case kind == stepUnclear && fellOn:
		r.kf.jumpTo(level, variance)
		r.kf.turnTo(speed)
		r.notes.add(noteFell, at, miss)
	case kind == stepDrop && r.cfg.Holds == Dough:
		r.knock(miss, at, variance, level)
		r.notes.add(noteDrop, at, miss)
	case kind == stepDrop:
		if at-r.goodAt > blindHours {
			r.kf.turnTo(0) // stirred, or past its peak
		}
		r.knock(miss, at, variance, level)
		r.notes.add(noteStirred, at, miss)
	default:
		r.offsetMM += miss
		r.offsetR += doubt + variance
		r.moved(miss, at)
	}
}

// backWithin is how long after a drop a step back takes it for an error. A fold
// that was told is none, but for hands that were seen in its place.
func (r *rise) backWithin() float64 {
	if math.Abs(r.lastStep.at-r.foldTold) < handledHours {
		return minutes(10)
	}
	return minutes(45)
}

// grewUnseen reports whether a level higher than foreseen after a gap was growth:
// then it grows on at the speed that it took. rate is in mm an hour.
func (r *rise) grewUnseen(rate, level, at float64) bool {
	blind := at - r.goodAt
	return blind > blindHours && rate > stillGrows*(level-r.goodMM)/blind
}

// stillGrows is the share of the mean speed in a gap that growth has after it.
const stillGrows = 0.6

// restart takes back the start level: what was seen first was no dough.
func (r *rise) restart(c consensus) {
	r.startFilter(c)
	r.base = baseline{}
	r.base.add(c.level, c.at, 1)
	r.track.restart()
	r.news.restart()
	r.notes.add(noteRestart, c.at, 0)
}
