package estimator

import "math"

// mound watches whether the dough was filled in as a ball that still spreads:
// the sensor then sees its middle, too high, and sinking. Means of five minutes
// are compared. The level where it will have settled is the start level.
type mound struct {
	windows [moundWindows]mean // mm
	before  float64            // the level before, mm
	squares float64            // sum of squared changes from one level to the next, mm^2
	changes float64            // and their number
	sinks   bool               // it was seen to sink
	settled bool               // and has come to rest, or the watch is over
	last    int                // latest complete window that was looked at
	good    int                // and latest that held enough
	drop    float64            // from the window before, mm
	shrink  float64            // of each drop against the one before
	most    float64            // largest drop, mm
}

// The watch, and what ends it.
const (
	moundWindows = 10
	moundHours   = 5.0 / 60
	moundSure    = 4.5  // standard errors, for a drop to be believed
	moundLeast   = 0.8  // mm, likewise
	moundRest    = 0.15 // of the largest drop: what is left does not matter
	moundShrink  = 0.5  // of each drop against the one before, when not known
	moundGrowth  = 0.02 // share of the level an hour that may have grown meanwhile
)

// add takes in a level (mm) that came after hours since the first one.
func (m *mound) add(level, after float64) {
	k := int(after / moundHours)
	if m.settled || k < 0 {
		return
	}
	if m.before > 0 {
		m.squares += sq(level - m.before)
		m.changes++
	}
	m.before = level
	if done := min(k, moundWindows) - 1; done > m.last {
		m.last = done
		m.judge(done)
	}
	if k < moundWindows {
		m.windows[k].add(level, 1)
	}
}

// noise is the variance of one level, mm^2. Changes from one to the next tell it
// whatever the trend; the filter's own idea of it grows while the level runs away.
func (m *mound) noise() float64 {
	return max(m.squares/(2*max(m.changes, 1)), 0.05)
}

// judge looks at a complete window.
func (m *mound) judge(k int) {
	before, now := &m.windows[k-1], &m.windows[k]
	if before.n < 3 || now.n < 3 {
		m.settled = m.sinks || k+1 == moundWindows
		return
	}
	sd := math.Sqrt(m.noise() * (1/before.n + 1/now.n))
	m.good = k
	earlier := m.drop
	m.drop = before.level - now.level
	if !m.sinks {
		m.sinks = k < moundWindows/2 && (m.drop > max(moundSure*sd, moundLeast) || m.sankSlowly(k))
	} else if earlier > 0 {
		m.shrink = min(max(m.drop/earlier, 0.2), 0.75)
	}
	m.most = max(m.most, m.drop)
	resting := m.sinks && m.drop < max(1.5*sd, moundRest*m.most) && (m.drop < 0 || earlier < max(2.5*sd, 0.4*m.most))
	m.settled = resting || k+1 == moundWindows || !m.sinks && k+1 >= moundWindows/2
}

// sankSlowly compares the latest two windows with the two before.
func (m *mound) sankSlowly(k int) bool {
	if k < 3 {
		return false
	}
	w := m.windows[k-3 : k+1]
	var sd float64
	for i := range w {
		if w[i].n < 3 {
			return false
		}
		sd += m.noise() / w[i].n / 4
	}
	drop := (w[0].level + w[1].level - w[2].level - w[3].level) / 2
	return drop > max(moundSure*math.Sqrt(sd), moundLeast)
}

// sinking reports whether the level still sinks.
func (m *mound) sinking() bool { return m.sinks && !m.settled }

// level is where it settles, and the variance of that, mm and mm^2: the latest
// window less what the drops to come add up to, each smaller than the one before
// by the same share.
func (m *mound) level() (level, variance float64) {
	shrink := m.shrink
	if shrink == 0 {
		shrink = moundShrink
	}
	now := &m.windows[m.good]
	left := max(m.drop, 0) * shrink / (1 - shrink)
	return now.level - left, m.noise()/now.n + sq(0.4*left) + sq(moundGrowth*now.level*float64(m.good)*moundHours)
}
