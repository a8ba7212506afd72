package estimator

import "math"

// shiftWatch looks for steps that are too small, or too close to the noise, for
// the gate to stop: a shallow fold, a nudged sensor. It keeps the latest bucket
// means and compares two accounts of them: a line with a step, and a line with a
// bend. A collapse is a bend, a fold is a step.
type shiftWatch struct {
	at, level [shiftLength]float64
	kf        [shiftLength]trend // the filter after each
	n         int
	uneasy    float64 // smoothed standardised miss of the filter
}

// Limits of the search for steps.
const (
	shiftLength = 20
	shiftSide   = 4    // buckets needed on each side
	shiftSure   = 6.0  // standard errors
	shiftBetter = 0.7  // squared misfit against that of a bend
	shiftLeast  = 1.8  // mm
	shiftUneasy = 1.2  // smoothed miss from which points are held back
	shiftDrift  = 0.12 // share of the level an hour that growth may change unseen
)

// add takes in a closed bucket.
func (s *shiftWatch) add(at, level float64, kf trend, z float64) {
	if s.n > 0 && at-s.at[s.n-1] > longBlind {
		s.n = 0
	}
	if s.n == shiftLength {
		copy(s.at[:], s.at[1:])
		copy(s.level[:], s.level[1:])
		copy(s.kf[:], s.kf[1:])
		s.n--
	}
	s.at[s.n], s.level[s.n], s.kf[s.n] = at, level, kf
	s.n++
	s.uneasy += (min(max(z, -4), 4) - s.uneasy) / 4
}

// reset forgets everything.
func (s *shiftWatch) reset() { s.n, s.uneasy = 0, 0 }

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
	best, bend := math.Inf(1), math.Inf(1)
	var pick found
	var se float64
	for c := shiftSide; c <= s.n-shiftSide; c++ {
		step := s.line(func(i int) float64 {
			if i >= c {
				return 1
			}
			return 0
		})
		kink := s.line(func(i int) float64 { return max(s.at[i]-s.at[c-1], 0) })
		bend = min(bend, kink.misfit)
		if step.misfit < best {
			best = step.misfit
			se = math.Sqrt(max(step.misfit/float64(s.n-3), noise/2) * step.inverse)
			pick = found{c, step.extra, step.value(s.at[c]) + step.extra, step.value(s.at[s.n-1]) + step.extra}
		}
	}
	gap := s.at[pick.index] - s.at[pick.index-1]
	least += shiftDrift * math.Abs(pick.from) * max(gap-minutes(3), 0)
	ok := math.Abs(pick.size) > least && math.Abs(pick.size) > shiftSure*se && best < shiftBetter*bend
	return pick, ok
}

// fitted is a straight line plus an extra term, fitted by least squares.
type fitted struct {
	origin, mid, slope, extra float64
	misfit                    float64 // sum of squares left
	inverse                   float64 // variance of extra for noise of variance 1
}

// value is the line without the extra term.
func (f fitted) value(at float64) float64 { return f.mid + f.slope*(at-f.origin) }

// line fits level = mid + slope*(at-origin) + extra*term(i). The extra term is
// made orthogonal to the line first.
func (s *shiftWatch) line(term func(int) float64) fitted {
	n := float64(s.n)
	var f fitted
	var meanX, meanY, meanE float64
	for i := range s.n {
		meanX += s.at[i] / n
		meanY += s.level[i] / n
		meanE += term(i) / n
	}
	var xx, xy, xe, ee, ey float64
	for i := range s.n {
		x, y, e := s.at[i]-meanX, s.level[i]-meanY, term(i)-meanE
		xx, xy, xe, ee, ey = xx+x*x, xy+x*y, xe+x*e, ee+e*e, ey+e*y
	}
	own := ee - xe*xe/xx
	if !(own > 1e-12) {
		f.misfit = math.Inf(1)
		return f
	}
	f.extra = (ey - xe*xy/xx) / own
	f.slope = (xy - f.extra*xe) / xx
	f.origin, f.mid, f.inverse = meanX, meanY-f.extra*meanE, 1/own
	for i := range s.n {
		d := s.level[i] - f.value(s.at[i]) - f.extra*term(i)
		f.misfit += d * d
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
	r.news.forget(s.at[f.index])
	r.track.reseen(s.kf[:f.index], s.at[:f.index], r.cfg.Profile)
	r.pend = pending{n: s.n - f.index, early: f.from, level: f.to, first: s.at[f.index], last: last}
	r.takeStep(last, n)
	s.reset()
	r.goodAt = last
}
