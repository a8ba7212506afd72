package estimator

import (
	"math"

	"tidemark/estimator/forecast"
)

// stepAt tells the forecast of a step between two levels as read.
func (r *rise) stepAt(at, before, after, moved float64) {
	r.fit.Step(forecast.Step{At: at - r.start, BeforeMM: before, Moved: moved})
	r.stepNoted(at, after-before, moved)
}

// stepNoted keeps what the rules need to know of a step.
func (r *rise) stepNoted(at, sizeMM, moved float64) {
	r.lastShift = at
	r.lastStep = step{sizeMM: sizeMM, at: at, moved: moved > 0.5}
	r.urgent = true
	if moved > 0.03 && moved < 0.97 {
		r.stepped = at
	}
	if moved < 0.5 {
		r.track.degassed()
	}
}

// stepKind is what a persistent jump is taken for.
type stepKind int

const (
	stepUnclear stepKind = iota // waits for longer than a lid is off
	stepEarly                   // hands at the start
	stepBack                    // back to where it was before the last step
	stepDrop                    // can be dough knocked down: a fold
	stepFalse                   // far below a start level that never grew: that was a lid
	stepGap                     // within what can have happened while nothing was seen
)

// movedChance is the chance that a drop is no fold.
func (r *rise) movedChance(pred, t float64) float64 {
	told := t-r.foldTold < handledHours
	messy := r.pend.first-r.messAt < minutes(4)
	least := foldLeast * r.base.level
	if told || messy {
		least = foldLeastTold * r.base.level
	}
	volume := r.cfg.Profile.Volume
	switch {
	case r.pend.early < least || r.pend.early < 0.5*pred:
		return movedTooLow
	case told:
		return 0
	case r.cfg.Holds == Starter:
		return movedStarter
	case messy:
		return movedHands
	case volume(pred) < 1.55*volume(r.base.level):
		return movedEarly
	}
	return movedClean
}

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

// classify names the jump that the pending readings show, its size in mm and the
// chance that it is no fold.
func (r *rise) classify(t float64) (kind stepKind, miss, moved float64) {
	pred, variance := r.predict(r.pend.first)
	miss = r.pend.early - pred
	blind := r.pend.first - r.goodAt
	tolerance := max(4*math.Sqrt(variance+r.bucketR), 2.5, 0.25*math.Abs(r.lastStep.sizeMM))
	recent := r.lastStep.moved || t-r.lastStep.at < r.backWithin()
	moved = surelyMoved
	if miss < 0 {
		moved = r.movedChance(pred, t)
	}
	switch {
	case r.lastStep.sizeMM != 0 && recent && math.Abs(miss+r.lastStep.sizeMM) < tolerance:
		return stepBack, miss, surelyMoved
	case r.pend.first-r.start < settleHours && t-r.foldTold > handledHours:
		if miss > lidOnShare*pred && pred > lidOnMM && r.pend.span() < patienceHours {
			return stepUnclear, miss, moved // something laid over dough that was seen already
		}
		return stepEarly, miss, moved
	case blind > minutes(3) && (r.unseen(miss, pred, variance, blind) || r.slowed(pred)):
		return stepGap, miss, min(moved, movedInGap)
	case r.pend.early < 0.85*r.base.level && pred < 1.05*r.base.level:
		return stepFalse, miss, moved
	case miss < 0 && moved < movedTooLow:
		return stepDrop, miss, moved
	}
	return stepUnclear, miss, moved
}

// stepConfirmed reports whether the pending readings have agreed for long
// enough to be believed.
func (r *rise) stepConfirmed(t float64) bool {
	if r.pend.n < 3 {
		return false
	}
	kind, miss, moved := r.classify(t)
	span := r.pend.span()
	switch {
	case kind == stepEarly || kind == stepBack || kind == stepGap:
		return span >= 40.0/3600
	case kind == stepDrop && t-r.foldTold < handledHours:
		return span >= 45.0/3600
	case kind == stepDrop && moved < 0.5:
		return span >= 3.0/60 && r.pend.n >= 4
	case kind == stepUnclear && r.cfg.Holds == Starter && r.fellOn(miss):
		return span >= 4.0/60 && r.pend.n >= 5
	}
	return span >= patienceHours && r.pend.n >= 5
}

// takeStep believes the pending readings.
func (r *rise) takeStep(t float64, n *noise) {
	kind, miss, moved := r.classify(t)
	pred, _ := r.predict(r.pend.first)
	slowed, fellOn := r.slowed(pred), r.fellOn(miss)
	p := r.pend
	speed := p.speed()
	r.kf.predict(max(t-r.kfAt, 0))
	r.kfAt = t
	variance := max(n.variance/float64(p.n), 0.04)
	r.pend, r.bucket = pending{}, bucket{}
	if kind == stepEarly || kind == stepFalse {
		r.startOver(consensus{p.level, t, variance})
		r.notes.add(NoteRestart, t, 0)
		return
	}
	grew := kind == stepUnclear && miss > 0 && r.grewUnseen(speed, p.early, p.first)
	small := -miss < 3*math.Sqrt(variance+r.bucketR)+1
	blind := p.first - r.goodAt
	r.kf.jumpTo(p.level, variance)
	switch {
	case kind == stepBack:
		r.fit.Step(forecast.Step{At: p.first - r.start, BeforeMM: pred, Back: true})
		r.stepNoted(p.first, miss, surelyMoved)
		r.lastStep = step{}
		r.notes.add(NoteMovedBack, p.first, miss)
	case kind == stepGap && (miss > 0 || slowed || small || blind > longBlind), grew:
	case kind == stepGap && r.cfg.Holds == Starter: // nobody folds it: it has peaked
		r.kf.turnTo(0)
		r.notes.add(NoteSank, p.first, miss)
	case kind == stepUnclear && fellOn:
		r.kf.turnTo(speed)
		r.notes.add(NoteFell, p.first, miss)
	case moved > 0.5:
		r.stepAt(p.first, pred, p.early, moved)
		r.notes.add(NoteMoved, p.first, miss)
	case r.cfg.Holds == Dough:
		r.stepAt(p.first, pred, p.early, moved)
		r.notes.add(NoteFold, p.first, miss)
	default:
		r.stepAt(p.first, pred, p.early, moved)
		r.notes.add(NoteStirred, p.first, miss)
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
