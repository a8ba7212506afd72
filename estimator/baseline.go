package estimator

import "math"

// baseline is the level at the start, from the first minutes.
type baseline struct {
	first, second mean    // of the first baselineHours and of as long again, mm
	seen          float64 // when the first window began, hours
	closed        bool    // a fold or a move ended the windows early
	mound         mound
}

// mean is a running mean with its spread.
type mean struct {
	n, level, squares float64
}

// add takes in a level with a weight.
func (m *mean) add(level, weight float64) {
	m.n += weight
	d := level - m.level
	m.level += d * weight / m.n
	m.squares += weight * d * (level - m.level)
}

// variance is that of the mean, mm^2, for values with at least the given
// variance each.
func (m *mean) variance(each float64) float64 {
	if m.n < 2 {
		return max(each, 1)
	}
	return max(m.squares/(m.n-1), each, 0.01) / m.n
}

// known reports whether the level at the start was seen at all.
func (b *baseline) known() bool { return b.first.n > 0 }

// add takes in a level at t.
func (b *baseline) add(level, t, weight float64) {
	if b.first.n == 0 {
		b.seen = t
	}
	if b.closed {
		b.mound.settled = true
	} else {
		b.mound.add(level, t-b.seen)
	}
	switch {
	case b.closed:
	case t-b.seen < baselineHours:
		b.first.add(level, weight)
	case t-b.seen < 2*baselineHours:
		b.second.add(level, weight)
	}
}

// estimate is the level at the start and its variance, mm and mm^2. The mean of
// the first window lies a little above the start when the dough rises already.
// A quarter of the difference between the windows is taken off: it would be a
// half in a steady rise and a sixth in one that has just begun. For a ball that
// spreads the start is where it settles.
func (b *baseline) estimate(each float64) (level, variance float64) {
	if b.mound.sinks {
		return b.mound.level()
	}
	level, variance = b.first.level, b.first.variance(each)
	if b.second.n < 3 {
		return level, variance
	}
	if sunk := b.sunk(each); sunk > 0 {
		return b.second.level - 0.4*sunk, b.second.variance(each) + sunk*sunk/4
	}
	grown := max(b.second.level-level, 0)
	variance += (variance+b.second.variance(each))/16 + grown*grown/64
	return level - grown/4, variance
}

// sunk is how far the level sank from the first window to the second, mm; 0 when
// that is no more than noise, and for a ball that was seen to spread: the
// forecast does not get its levels.
func (b *baseline) sunk(each float64) float64 {
	if b.second.n < 3 || b.mound.sinks {
		return 0
	}
	d := b.first.level - b.second.level
	if d < max(1, 4*math.Sqrt(b.first.variance(each)+b.second.variance(each))) {
		return 0
	}
	return d
}
