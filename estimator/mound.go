package estimator

import (
	"math"

	"tidemark/estimator/lsq"
)

// mound watches whether the dough was filled in as a ball that still spreads:
// the sensor then sees its middle, too high, and sinking. Means of five minutes
// are compared. The level where it will have settled is the start level.
type mound struct {
	windows [moundWindows]mean              // mm
	fades   [moundWindows][spreadTimes]mean // of what is left of the ball, by how long it takes
	hours   [moundWindows]mean              // since the first level
	before  float64                         // the level before, mm
	squares float64                         // sum of squared changes from one level to the next, mm^2
	changes float64                         // and their number
	sinks   bool                            // it was seen to sink
	settled bool                            // and has come to rest, or the watch is over
	last    int                             // latest complete window that was looked at
	good    int                             // and latest that held enough
}

// The watch, and what ends it.
const (
	moundWindows = 10
	moundHours   = 5.0 / 60
	moundEnough  = 2   // levels in a window that counts
	moundSure    = 4.5 // standard errors, for a drop to be believed
	moundLeast   = 0.8 // mm, likewise
	moundRest    = 0.1 // of the ball: what is left does not matter
)

// What is believed of a ball before it is seen (common practice, no source): how
// long it takes, as a time constant, how far it stands too high and by how much the
// dough rises or sinks meanwhile.
const (
	spreadTimes  = 7
	spreadLeast  = 3.0 / 60 // hours; each further one is longer by spreadFactor
	spreadFactor = 1.45
	spreadMiddle = 8.0 / 60
	spreadDoubt  = 0.7   // of the logarithm
	spreadShare  = 0.2   // of the level
	spreadGrowth = 0.015 // of the level an hour, give or take
	spreadMisfit = 0.2   // mm: no ball sinks just so
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
		m.hours[k].add(after, 1)
		takes := spreadLeast
		for j := range m.fades[k] {
			m.fades[k][j].add(math.Exp(-after/takes), 1)
			takes *= spreadFactor
		}
	}
}

// noise is the variance of one level, mm^2. Changes from one to the next tell it
// whatever the trend; the filter's own idea of it grows while the level runs away.
func (m *mound) noise() float64 {
	return max(m.squares/(2*max(m.changes, 1)), 0.05)
}

// judge looks at a complete window. One that holds too little is waited out: what
// comes after it is held against what came before.
func (m *mound) judge(k int) {
	over := k+1 == moundWindows
	before, now := &m.windows[m.good], &m.windows[k]
	if before.n < moundEnough || now.n < moundEnough {
		if now.n >= moundEnough {
			m.good = k
		}
		m.settled = over
		return
	}
	sd := math.Sqrt(m.noise() * (1/before.n + 1/now.n))
	if !m.sinks && m.good < moundWindows/2-1 {
		m.sinks = before.level-now.level > max(moundSure*sd, moundLeast) || m.sankSlowly(k)
	}
	m.good = k
	m.settled = over || !m.sinks && k+1 >= moundWindows/2 || m.sinks && m.resting(sd)
}

// resting reports whether what is left of the ball does not matter.
func (m *mound) resting(sd float64) bool {
	b := m.fit()
	return b.left < max(moundRest*b.high, sd)
}

// sankSlowly compares the latest two windows with the two before.
func (m *mound) sankSlowly(k int) bool {
	if k < 3 {
		return false
	}
	w := m.windows[k-3 : k+1]
	var sd float64
	for i := range w {
		if w[i].n < moundEnough {
			return false
		}
		sd += m.noise() / w[i].n / 4
	}
	drop := (w[0].level + w[1].level - w[2].level - w[3].level) / 2
	return drop > max(moundSure*math.Sqrt(sd), moundLeast)
}

// sinking reports whether the level still sinks.
func (m *mound) sinking() bool { return m.sinks && !m.settled }

// level is where it settles, and the variance of that, mm and mm^2.
func (m *mound) level() (level, variance float64) {
	b := m.fit()
	return b.level, b.variance
}

// ballFit is what the windows tell of it: where it settles, how much higher it stood at
// first and how much higher it stands in the latest window, mm.
type ballFit struct{ level, variance, high, left float64 }

// fit fits a level, a ball that sinks exponentially and slow growth to the windows,
// for each time the ball may take, and weighs the answers by how well they fit
// (normal equations with normal priors; Gelman and others, Bayesian Data Analysis,
// chapter 14, from memory).
func (m *mound) fit() ballFit {
	var each [spreadTimes]ballFit
	var weight [spreadTimes]float64
	top := math.Inf(-1)
	takes := spreadLeast
	for j := range each {
		each[j], weight[j] = m.fitOne(j)
		z := math.Log(takes/spreadMiddle) / spreadDoubt
		weight[j] -= z * z / 2
		top = max(top, weight[j])
		takes *= spreadFactor
	}
	var out ballFit
	var sum, squares float64
	for j, b := range each {
		w := math.Exp(weight[j] - top)
		sum += w
		out.level += (b.level - out.level) * w / sum
		out.high += (b.high - out.high) * w / sum
		out.left += (b.left - out.left) * w / sum
		squares += w * (b.variance + sq(b.level-each[0].level))
	}
	out.variance = squares/sum - sq(out.level-each[0].level)
	return out
}

// fitOne is fit for one time, with the logarithm of its evidence.
func (m *mound) fitOne(j int) (b ballFit, evidence float64) {
	first := m.first()
	high, growth := spreadShare*first, spreadGrowth*first
	a := [9]float64{1e-9, 0, 0, 0, 1 / sq(high), 0, 0, 0, 1 / sq(growth)}
	x := [3]float64{}
	ss := 1.0
	for k := range m.windows {
		w := &m.windows[k]
		if w.n < moundEnough {
			continue
		}
		row := [3]float64{1, m.fades[k][j].level, m.hours[k].level}
		each := m.noise()/w.n + sq(spreadMisfit)
		y := w.level - first
		ss += y * y / each
		for p := range row {
			x[p] += row[p] * y / each
			for q := range row {
				a[3*p+q] += row[p] * row[q] / each
			}
		}
	}
	right := x
	if !lsq.Cholesky(a[:], 3) {
		return ballFit{level: first, variance: sq(high)}, math.Inf(-1)
	}
	lsq.SolveCholesky(a[:], 3, x[:])
	for p := range x {
		ss -= x[p] * right[p]
		evidence -= math.Log(a[4*p])
	}
	var inverse [9]float64
	lsq.InverseFromCholesky(a[:], 3, inverse[:])
	b = ballFit{level: first + x[0], variance: inverse[0], high: max(x[1], 0), left: max(x[1], 0) * m.fades[m.good][j].level}
	return b, evidence - ss/2
}

// first is the level of the first window that counts, mm.
func (m *mound) first() float64 {
	for k := range m.windows {
		if m.windows[k].n >= moundEnough {
			return m.windows[k].level
		}
	}
	return m.before
}
