package estimator

import (
	"math"
	"time"
)

// Verdict says whether a sample's distance was believed.
type Verdict struct {
	Accepted bool
	Reason   string // one of [Reasons], or that nothing was there or watched; empty when accepted
}

// reason is why a distance is not believed, and the index of its counter.
type reason int

const (
	accepted     reason = iota
	rMissing            // no distance in the sample
	rNoRise             // nothing is being watched
	rDuplicate          // same moment as the reading before
	rOutOfOrder         // earlier than the reading before
	rOutOfRange         // no distance at all: zero, negative or a "nothing seen" code
	rTooNear            // nearer than the sensor can measure
	rAboveVessel        // higher than dough can stand: a lid or a hand
	rBelowFloor         // farther than the floor: lid off, vessel gone
	rEmpty              // near the floor although there was dough: vessel swapped or sensor beside it
	rSpike              // does not fit the readings around it: hand, utensil, lid, drop
	rHandling           // after a fold or a move, until readings agree again
	rStuck              // identical for implausibly long
	reasons
)

// word is the public name of a reason.
func (r reason) word() string {
	return [reasons]string{"", "missing", "no_rise", "duplicate", "out_of_order", "out_of_range", "too_near",
		"above_vessel", "below_floor", "empty", "spike", "handling", "stuck"}[r]
}

// clock keeps the times of the samples. Inside, moments are hours since the
// first sample.
type clock struct {
	epoch    time.Time
	last     time.Time // latest sample of any kind
	lastRead time.Time // latest sample with a distance
	interval float64   // usual time between distances, hours; 0 unknown
}

// begin sets the epoch: not at t but at the full half minute before, so that the
// buckets of half a minute hold the same readings when they are fed in again after
// a restart.
func (c *clock) begin(t time.Time) {
	c.epoch, c.last = t.Truncate(30*time.Second), t
}

// hours is t as hours since the epoch.
func (c *clock) hours(t time.Time) float64 { return t.Sub(c.epoch).Hours() }

// at is the inverse of hours.
func (c *clock) at(hours float64) time.Time {
	return c.epoch.Add(time.Duration(hours * float64(time.Hour)))
}

// tick notes a distance at t. The usual interval follows shortening at once
// and lengthening slowly, so that a gap does not count as slow sampling.
func (c *clock) tick(t time.Time) {
	if !c.lastRead.IsZero() {
		dt := t.Sub(c.lastRead).Hours()
		switch {
		case c.interval == 0 || dt < c.interval:
			c.interval = dt
		default:
			c.interval += (min(dt, 4*c.interval) - c.interval) / 8
		}
	}
	c.lastRead = t
}

// Observe takes in one sample. It does constant work and allocates nothing
// (but for a sample that starts a rise or shows a step). Samples must come in time
// order; one that does not is refused, though its event still counts, at the latest
// known time.
func (e *Estimator) Observe(s Sample) Verdict {
	r := e.observe(s)
	e.rejected[r]++
	return Verdict{Accepted: r == accepted, Reason: r.word()}
}

func (e *Estimator) observe(s Sample) reason {
	if e.clock.epoch.IsZero() {
		e.clock.begin(s.Time)
	}
	late := s.Time.Before(e.clock.last)
	if late {
		s.Time = e.clock.last
	}
	e.clock.last = s.Time
	e.event(&s)
	if late {
		return orMissing(s.DistanceMM, rOutOfOrder)
	}
	e.temperatures(s)
	if math.IsNaN(s.DistanceMM) {
		return rMissing
	}
	if s.Time.Equal(e.clock.lastRead) {
		return rDuplicate
	}
	e.clock.tick(s.Time)
	return e.distance(s)
}

// orMissing is the reason for a sample that may have no distance at all.
func orMissing(distanceMM float64, r reason) reason {
	if math.IsNaN(distanceMM) {
		return rMissing
	}
	return r
}

// distance judges and takes in a distance.
func (e *Estimator) distance(s Sample) reason {
	if e.cfg.ByHand {
		return rMissing
	}
	t := e.clock.hours(s.Time)
	if r := e.inRange(s.DistanceMM); r != accepted {
		return e.turnedDown(r, t)
	}
	e.noise.saw(s.DistanceMM, t, e.clock.interval)
	e.rawLevelMM = e.cfg.FloorMM - s.DistanceMM
	if !e.rise.active && e.cfg.AutoStart && e.rises == 0 && e.rawLevelMM >= emptyMM {
		e.begin(s.Time)
	}
	if !e.rise.active {
		e.seen(t)
		return rNoRise
	}
	if e.noise.flatLine(t) {
		e.hangs()
		return e.turnedDown(rStuck, t)
	}
	if s.SDMM > 0 && e.noise.n == 0 && finite(s.SDMM) {
		e.noise.variance = newNoise(s.SDMM).variance
	}
	e.carry(t)
	e.fit.KnowSensor(e.noise.quantum, e.noise.sd())
	r := e.rise.take(e.rawLevelMM, t, &e.noise, e.clock.interval)
	if r != accepted {
		return e.turnedDown(r, t)
	}
	e.seen(t)
	return accepted
}

// hangs takes back the readings of a sensor that turns out to hang: they were
// believed until there were too many of them.
func (e *Estimator) hangs() {
	n := &e.noise
	if n.hung {
		return
	}
	n.hung = true
	n.variance = n.usual()
	e.rise.unsee(n.runFrom)
	e.lastSeen = min(e.lastSeen, n.runFrom)
}

// carry puts the forecast's level in the filter's place when nothing has been
// believed for a while: a growth curve foresees more than a level and a rate.
func (e *Estimator) carry(t float64) {
	r := &e.rise
	if !r.kfOn || r.acquiring == acquireStart || r.pend.n > 0 || t-r.goodAt < carryAfter || t-r.kfAt < carryAgain {
		return
	}
	if level, sd, ok := e.fit.Reading(t - r.start); ok && e.cached.fitted {
		r.carryTo(level, sd, t)
	}
}

// seen notes a believed reading.
func (e *Estimator) seen(t float64) {
	e.lastSeen, e.everSeen = t, true
	e.refusedSince = 0
}

// turnedDown notes a reading that is not believed.
func (e *Estimator) turnedDown(r reason, t float64) reason {
	e.refusedSince++
	e.lastRefused, e.lastReason = t, r
	e.rise.hands = e.rise.hands || r != rStuck
	return r
}

// inRange tells distances that could be dough from those that cannot.
func (e *Estimator) inRange(distanceMM float64) reason {
	top := e.cfg.Profile.TopMM()
	level := e.cfg.FloorMM - distanceMM
	switch {
	case math.IsInf(distanceMM, 0) || distanceMM <= 0 || distanceMM >= sentinelMM:
		return rOutOfRange
	case distanceMM < minDistanceMM:
		return rTooNear
	case level > 1.3*top+20: // dough may dome or crawl above the rim, not by more
		return rAboveVessel
	case level < -max(5, 4*e.noise.sd()):
		return rBelowFloor
	}
	return accepted
}

// temperatures keeps the last believed temperatures and passes them on.
func (e *Estimator) temperatures(s Sample) {
	t := e.clock.hours(s.Time)
	dough, air := e.dough.take(s.DoughC, t), e.air.take(s.AirC, t)
	if e.rise.active && (dough || air) {
		e.rise.temper(t, e.dough.c, e.air.c)
	}
}

// thermo is a temperature with a guard against impossible values.
type thermo struct {
	c       float64 // NaN until known
	at      float64 // hours
	odd     float64 // a value far off, waiting for company
	oddSeen int
}

// lately is the temperature at t, NaN when the last one believed is too old to be
// called that. What the dough lived through is reckoned with it all the same.
func (h *thermo) lately(t float64) float64 {
	if t-h.at > thermoFresh {
		return math.NaN()
	}
	return h.c
}

// take reports whether the temperature was believed.
func (h *thermo) take(c, t float64) bool {
	if !(c > coldestC && c < hottestC) {
		return false
	}
	known := !math.IsNaN(h.c)
	if known && math.Abs(c-h.c) > oddJumpC+20*(t-h.at) {
		if h.oddSeen == 0 || math.Abs(c-h.odd) > 2 {
			h.odd, h.oddSeen = c, 0
		}
		h.oddSeen++
		if h.oddSeen < 3 {
			return false
		}
	}
	h.c, h.at, h.oddSeen = c, t, 0
	return true
}

// Reasons lists every reason for which a distance is refused that
// Estimate.Rejected may count, in a fixed order.
func Reasons() []string {
	var out []string
	for r := accepted + 1; r < reasons; r++ {
		if counted(r) {
			out = append(out, r.word())
		}
	}
	return out
}

// counted reports whether a refusal says something about the sensor: a sample
// without a distance, or outside a rise, does not.
func counted(r reason) bool { return r != accepted && r != rMissing && r != rNoRise }
