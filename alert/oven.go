package alert

import (
	"math"
	"sort"
	"time"
)

// heatEvery is the closest spacing of kept temperatures.
const heatEvery = 4 * time.Second

// heatKeep is how far back temperatures are kept.
const heatKeep = squareMost + squareBefore

// heatConfirm is how long one unchanging value must stay beyond the limit to
// count as more than a single bad sample. Changing values count after airConfirm,
// in dough after doughConfirm: warm water may run over its probe for a while.
const (
	heatConfirm  = 90 * time.Second
	airConfirm   = 10 * time.Second
	doughConfirm = time.Minute
)

// heatTest says when a warming is too fast for a proofing place. Over a window
// split in two halves, the second half must not warm clearly slower than the
// first: everything that is only carried into a warmer place (a hand, a
// draught, the way out of the fridge) slows down from the start, while an oven
// that heats does not. The shape must hold for some time, the rate must be
// high, and the temperature must be heading for the limit.
type heatTest struct {
	window  time.Duration
	hold    time.Duration // how long the shape must last
	steady  float64       // least ratio of second to first half
	begun   float64       // least ratio of first to second half
	rateCPM float64       // least rate in the second half, C a minute
	ahead   time.Duration // how far the rate is carried on
	headedC float64       // where that must lead
}

// heatTestOf returns the test of a probe in the air or in dough. The figures were
// chosen on the warm-up curves of the tests, which are our own.
func heatTestOf(air bool) heatTest {
	if air {
		return heatTest{window: 40 * time.Second, hold: 15 * time.Second, steady: 0.9, begun: 0.27,
			rateCPM: 5, ahead: 150 * time.Second, headedC: 38}
	}
	return heatTest{window: 6 * time.Minute, hold: 2 * time.Minute, steady: 0.9, begun: 0.30,
		rateCPM: 1.2, ahead: 4 * time.Minute, headedC: 38}
}

// heatPoint is one kept temperature.
type heatPoint struct {
	at time.Time
	c  float64
}

// probe keeps the recent temperatures of one probe.
type probe struct {
	air    bool // hangs in the air, not in dough
	points []heatPoint
	shape  time.Time // since when the shape of an oven holds; zero when not
	above  time.Time // since when the limit is passed
	values int       // different values since then
}

// heating is what looks like an oven that heats.
type heating struct {
	inAir   bool // seen by the probe in the air
	reason  string
	since   time.Time
	beforeC float64 // at since
	nowC    float64
}

// add takes in the temperature measured at a moment and returns what it means;
// nil when all is well. NaN is no temperature and is passed over, and so is a
// measurement taken in before.
func (h *probe) add(at time.Time, c, limitC float64) *heating {
	if math.IsNaN(c) || math.IsInf(c, 0) {
		return nil
	}
	fresh := len(h.points) == 0 || c != h.points[len(h.points)-1].c
	kept := h.push(at, c)
	if a := h.beyond(at, c, limitC, fresh); a != nil {
		return a
	}
	if !kept {
		return nil
	}
	if a := h.tooFast(at, c); a != nil {
		return a
	}
	if h.air {
		return h.climbs(at, c)
	}
	return h.accelerates(at)
}

// The least of two or three readings in a row for an oven, seen by a probe in the
// air that is read seldom.
const (
	climbLeast = 11.0 // C in all
	climbAtC   = 36.0 // a hand or a warm tap is not hotter
	climbStep  = 0.8  // C from each to the next
	climbTop   = 35.0 // C a minute: what goes faster is a bad reading
	climbCPM   = 5.0
)

// climbs finds an oven in the last few readings of a probe that is read too seldom
// for the quick test: each is hotter than the one before, by no less each time.
func (h *probe) climbs(at time.Time, c float64) *heating {
	unit, steps := h.unit(), 2
	if unit < 20*time.Second {
		steps = 3
	}
	n := len(h.points)
	if unit < 13*time.Second || n <= steps || c < climbAtC {
		return nil
	}
	first := h.points[n-1-steps]
	span := at.Sub(first.at)
	if span > time.Duration(steps+1)*unit || c-first.c < climbLeast || (c-first.c)/span.Minutes() < climbCPM {
		return nil
	}
	before := climbStep
	for i := n - steps; i < n; i++ {
		a, b := h.points[i-1], h.points[i]
		step := b.c - a.c
		if step < max(climbStep, 0.8*before) || step > climbTop*b.at.Sub(a.at).Minutes() {
			return nil
		}
		before = step
	}
	return &heating{reason: heatsTooFast, since: first.at, beforeC: first.c, nowC: c}
}

// push keeps a measurement that is newer than the last one by heatEvery and
// reports whether it did.
func (h *probe) push(at time.Time, c float64) bool {
	if n := len(h.points); n > 0 && at.Sub(h.points[n-1].at) < heatEvery {
		return false
	}
	h.points = append(h.points, heatPoint{at, c})
	old := sort.Search(len(h.points), func(i int) bool { return h.points[i].at.After(at.Add(-heatKeep)) })
	h.points = append(h.points[:0], h.points[old:]...)
	return true
}

// beyond watches the fixed limit: three different values over a short while, or
// a longer stay, so that one bad sample does nothing.
func (h *probe) beyond(at time.Time, c, limitC float64, fresh bool) *heating {
	if c < limitC {
		h.above, h.values = time.Time{}, 0
		return nil
	}
	if h.above.IsZero() {
		h.above = at
	}
	if fresh {
		h.values++
	}
	stay, confirm := at.Sub(h.above), doughConfirm
	if h.air {
		confirm = airConfirm
	}
	if (h.values >= 3 && stay >= confirm) || stay >= heatConfirm {
		return &heating{reason: beyondLimit, since: h.above, beforeC: h.at(h.above), nowC: c}
	}
	return nil
}

// tooFast runs the test on the newest point.
func (h *probe) tooFast(at time.Time, c float64) *heating {
	t, unit := heatTestOf(h.air), h.unit()
	window, hold := max(t.window, 5*unit), max(t.hold, 2*unit)
	first, second, known := h.halves(at, window)
	rate := second / (window / 2).Minutes()
	if !known || rate < t.rateCPM/4 || second < t.steady*first || first < t.begun*second {
		h.shape = time.Time{}
		return nil
	}
	h.shape = orTime(h.shape, at)
	headed := c + carriedOn(first, second, float64(t.ahead)/float64(window/2))
	if at.Sub(h.shape) < hold || rate < t.rateCPM || headed < t.headedC {
		return nil
	}
	since := at.Add(-window)
	return &heating{reason: heatsTooFast, since: since, beforeC: h.at(since), nowC: c}
}

// carriedOn returns the warming over the next steps when each is to the one
// before as second is to first, but never grows. Steps are half windows.
func carriedOn(first, second, steps float64) float64 {
	if second >= first {
		return second * steps
	}
	r := second / first
	return second * r * (1 - math.Pow(r, steps)) / (1 - r)
}

// unit is the usual spacing of the last measurements, at most 75 s.
func (h *probe) unit() time.Duration {
	n := len(h.points)
	if n < 2 {
		return 0
	}
	from := max(1, n-5)
	var gaps []time.Duration
	for i := from; i < n; i++ {
		gaps = append(gaps, h.points[i].at.Sub(h.points[i-1].at))
	}
	sort.Slice(gaps, func(i, j int) bool { return gaps[i] < gaps[j] })
	return min(gaps[len(gaps)/2], 75*time.Second)
}

// halves returns the warming in the first and second half of the window that
// ends at a moment, in C. Before the first point the temperature is taken as
// level, but at least half a window must be known.
func (h *probe) halves(end time.Time, window time.Duration) (first, second float64, known bool) {
	if len(h.points) < 3 || end.Sub(h.points[0].at) < window/2 {
		return 0, 0, false
	}
	mid := h.at(end.Add(-window / 2))
	return mid - h.at(end.Add(-window)), h.at(end) - mid, true
}

// at returns the temperature at a moment, on straight lines between points.
func (h *probe) at(t time.Time) float64 {
	i := sort.Search(len(h.points), func(i int) bool { return !h.points[i].at.Before(t) })
	switch {
	case i == 0:
		return h.points[0].c
	case i == len(h.points):
		return h.points[i-1].c
	}
	a, b := h.points[i-1], h.points[i]
	share := float64(t.Sub(a.at)) / float64(b.at.Sub(a.at))
	return a.c + share*(b.c-a.c)
}

// ovenDetector watches the temperatures of dough and air of one vessel.
type ovenDetector struct {
	dough, air probe
	observed   bool     // measurements come one by one
	found      *heating // since the last take
}

// newOvenDetector returns a detector that has seen nothing yet.
func newOvenDetector(observed bool) ovenDetector {
	return ovenDetector{air: probe{air: true}, observed: observed}
}

// estimated takes the temperatures of an estimate in where none are observed.
func (d *ovenDetector) estimated(at time.Time, doughC, airC float64) {
	if !d.observed {
		d.add(at, doughC, airC)
	}
}

// add takes one moment's temperatures in.
func (d *ovenDetector) add(at time.Time, doughC, airC float64) {
	if found := d.dough.add(at, doughC, ovenLimitC); found != nil {
		d.found = found
	}
	if found := d.air.add(at, airC, ovenLimitC); found != nil {
		found.inAir, d.found = true, found
	}
}

// take returns what was found since the last call.
func (d *ovenDetector) take() *heating {
	found := d.found
	d.found = nil
	return found
}
