package estimator

import "math"

// shiftWatch looks for steps that are too small, or too close to the noise, for
// the gate to stop: a shallow fold, a nudged sensor. It keeps the latest bucket
// means and compares two accounts of them: a line with a step, and a line with a
// bend. A collapse is a bend, a fold is a step.
type shiftWatch struct {
	at, level [shiftLength]float64
	kf        [shiftLength]trend // the filter after each
	hands     [shiftLength]bool  // something else than dough was seen in it or just before
	n         int
}

// Limits of the search for steps.
const (
	shiftLength = 20
	shiftSide   = 4    // buckets needed on each side
	shiftSure   = 6.0  // standard errors
	shiftBetter = 0.7  // squared misfit against that of a bend
	shiftLeast  = 1.8  // mm
	shiftDrift  = 0.12 // share of the level an hour that growth may change unseen

	// Where hands were, a drop is likely, and the buckets there show hands too.
	handsMostly = 8 // more buckets with hands than this and they say nothing
	handsSure   = 4.5
	handsLeast  = 0.55 // of the least step
)

// add takes in a closed bucket.
func (s *shiftWatch) add(at, level float64, kf trend, hands bool) {
	if s.n > 0 && at-s.at[s.n-1] > longBlind {
		s.n = 0
	}
	if s.n == shiftLength {
		copy(s.at[:], s.at[1:])
		copy(s.level[:], s.level[1:])
		copy(s.kf[:], s.kf[1:])
		copy(s.hands[:], s.hands[1:])
		s.n--
	}
	s.at[s.n], s.level[s.n], s.kf[s.n], s.hands[s.n] = at, level, kf, hands
	s.n++
}

// reset forgets everything.
func (s *shiftWatch) reset() { s.n = 0 }

// found is a step that was found.
type found struct {
	index    int     // first bucket after it
	size     float64 // mm
	from, to float64 // level just after it, and at the latest bucket
}

// search looks for the step that explains the buckets best. least is the
// smallest step to believe, noise the variance of one bucket.
func (s *shiftWatch) search(least, noise float64) (found, bool) {
	if s.n < 2*shiftSide+2 {
		return found{}, false
	}
	if f, ok := s.best(func(int) bool { return true }, least, noise, shiftSure); ok {
		return f, true
	}
	if hands := s.handled(); hands == 0 || hands > handsMostly {
		return found{}, false
	}
	f, ok := s.best(func(i int) bool { return !s.hands[i] }, handsLeast*least, noise, handsSure)
	if !ok || f.size > 0 || !s.hands[f.index] && !s.hands[f.index-1] {
		return found{}, false
	}
	for f.index > 1 && s.hands[f.index-1] {
		f.index-- // the drop came under the hands
	}
	return f, true
}

// handled is the number of buckets with hands.
func (s *shiftWatch) handled() (n int) {
	for _, h := range s.hands[:s.n] {
		if h {
			n++
		}
	}
	return n
}

// best is the best step through the buckets that count, and whether it is to be
// believed: it is larger than least, so many standard errors, and no bend.
func (s *shiftWatch) best(counts func(int) bool, least, noise, sure float64) (found, bool) {
	best, bend := math.Inf(1), math.Inf(1)
	var pick found
	var se float64
	for c := shiftSide; c <= s.n-shiftSide; c++ {
		step := s.line(counts, func(i int) float64 {
			if i >= c {
				return 1
			}
			return 0
		})
		kink := s.line(counts, func(i int) float64 { return max(s.at[i]-s.at[c-1], 0) })
		bend = min(bend, kink.misfit)
		if step.misfit < best {
			best = step.misfit
			se = math.Sqrt(max(step.misfit/(step.n-3), noise/2) * step.inverse)
			pick = found{c, step.extra, step.value(s.at[c]) + step.extra, step.value(s.at[s.n-1]) + step.extra}
		}
	}
	if pick.index == 0 {
		return pick, false // too few that count
	}
	gap := s.at[pick.index] - s.at[pick.index-1]
	least += shiftDrift * math.Abs(pick.from) * max(gap-minutes(3), 0)
	ok := math.Abs(pick.size) > least && math.Abs(pick.size) > sure*se && best < shiftBetter*bend
	return pick, ok
}

// fitted is a straight line plus an extra term, fitted by least squares.
type fitted struct {
	n                         float64 // buckets
	origin, mid, slope, extra float64
	misfit                    float64 // sum of squares left
	inverse                   float64 // variance of extra for noise of variance 1
}

// value is the line without the extra term.
func (f fitted) value(at float64) float64 { return f.mid + f.slope*(at-f.origin) }

// line fits level = mid + slope*(at-origin) + extra*term(i) to the buckets that
// count. The extra term is made orthogonal to the line first.
func (s *shiftWatch) line(counts func(int) bool, term func(int) float64) fitted {
	var f fitted
	var meanX, meanY, meanE float64
	for i := range s.n {
		if counts(i) {
			f.n++
			meanX += (s.at[i] - meanX) / f.n
			meanY += (s.level[i] - meanY) / f.n
			meanE += (term(i) - meanE) / f.n
		}
	}
	var xx, xy, xe, ee, ey float64
	for i := range s.n {
		if counts(i) {
			x, y, e := s.at[i]-meanX, s.level[i]-meanY, term(i)-meanE
			xx, xy, xe, ee, ey = xx+x*x, xy+x*y, xe+x*e, ee+e*e, ey+e*y
		}
	}
	own := ee - xe*xe/xx
	if !(own > 1e-12) || f.n < 2*shiftSide {
		f.misfit = math.Inf(1)
		return f
	}
	f.extra = (ey - xe*xy/xx) / own
	f.slope = (xy - f.extra*xe) / xx
	f.origin, f.mid, f.inverse = meanX, meanY-f.extra*meanE, 1/own
	for i := range s.n {
		if counts(i) {
			d := s.level[i] - f.value(s.at[i]) - f.extra*term(i)
			f.misfit += d * d
		}
	}
	return f
}

// watchShift acts on a step found in the buckets: the filter goes back to just
// before it and takes the step as the gate would have.
func (r *rise) watchShift(n *noise) {
	s := &r.shift
	f, ok := s.search(max(shiftLeast, 1.2*min(n.quantum, 10)), r.bucketR)
	if !ok {
		return
	}
	last := s.at[s.n-1]
	r.kf, r.kfAt = s.kf[f.index-1], s.at[f.index-1]
	r.goodAt = s.at[f.index-1]
	r.track.reseen(s.kf[:f.index], s.at[:f.index], r.cfg.Profile)
	r.pend = pending{n: s.n - f.index, early: f.from, level: f.to, first: s.at[f.index], last: last}
	r.takeStep(last, n)
	s.reset()
	r.goodAt = last
}
