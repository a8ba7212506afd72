package estimator

import "math"

// agreeWithin is how far two readings of one level may lie apart, mm.
func agreeWithin(n *noise) float64 { return max(3.5*n.sd(), 2.5, 1.2*min(n.quantum, 10)) }

// pending gathers readings that are not believed yet, to see whether they agree among
// themselves: because nothing is known of the level, or because they lie far from the
// prediction, and then it was a step.
type pending struct {
	n           int
	level       float64 // running mean of the latest, mm
	early       float64 // mean of the first few, mm
	first, last float64 // hours
	rate        float64 // that was expected at the start, mm/h
	strays      int     // readings since that agreed with nothing
	against     int     // readings since that fitted the prediction
}

// outvotes takes note of a reading that fits the prediction and reports whether
// the pending ones still outnumber such readings by far: a step hardly larger
// than the noise lets some readings through by chance. Pending readings farther
// from the prediction than limit are dropped at once: that was a lid or a hand.
func (p *pending) outvotes(predicted, limit float64) bool {
	p.against++
	if p.n >= 5 && p.n > 2*p.against && math.Abs(p.level-predicted) < limit {
		return true
	}
	*p = pending{}
	return false
}

// claims reports whether a reading that the prediction would allow lies nearer
// to the pending ones: the gate is wide, and a step hardly larger than it must
// not be taken in bit by bit.
func (p *pending) claims(level, predicted, within float64) bool {
	off := math.Abs(level - p.level)
	return p.n >= 2 && off <= within && off < math.Abs(level-predicted)
}

// add takes in a refused reading at t and reports whether it agrees with the
// ones before; drift is how far the level may move in an hour, rate how far it
// should.
func (p *pending) add(level, t, within, drift, rate float64) bool {
	carried := p.level + rate*(t-p.last)
	far := math.Abs(level-carried) > within+drift*(t-p.last)
	if far && p.n >= 5 && p.strays < 2 {
		p.strays++ // noise has its tails
		return true
	}
	if p.n == 0 || far {
		alone := p.n == 0
		*p = pending{n: 1, level: level, early: level, first: t, last: t, rate: rate}
		return alone
	}
	p.n++
	p.level = carried + (level-carried)/float64(min(p.n, pendingMean))
	p.last, p.strays = t, 0
	if p.n <= pendingMean {
		p.early = p.level - rate*p.span()
	}
	return true
}

// speed is how fast the agreeing readings moved from the first few to the latest,
// mm an hour, without the rate that was expected of them.
func (p *pending) speed() float64 {
	known := min(pendingMean/float64(max(p.n, 1)), 0.8)
	span := max(p.span(), 1e-3)
	return (p.level - p.early - p.rate*span*known) / (span * (1 - known))
}

// span is how long the readings have agreed, hours.
func (p *pending) span() float64 { return p.last - p.first }
