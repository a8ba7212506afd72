package forecast

import (
	"math"

	"tidemark/estimator/kinetics"
)

// clock turns time into equivalent time under both responses, and keeps what is
// needed to say where the temperature goes next. Times in hours since the start.
type clock struct {
	table          *kinetics.Responses
	at             float64
	ganzle, ctmi   float64 // equivalent hours so far
	doughC, airC   float64
	doughSeen      float64 // when last measured; minus infinity when never
	airSeen        float64
	cold           bool
	sinceMove      float64
	measuredBefore bool
}

func newClock(table *kinetics.Responses) clock {
	return clock{
		table: table, doughC: assumedC, airC: math.NaN(),
		doughSeen: math.Inf(-1), airSeen: math.Inf(-1), sinceMove: math.Inf(-1),
	}
}

// advance moves to a time with what was measured there; NaN is not measured.
func (c *clock) advance(at, doughC, airC float64) {
	dt := at - c.at
	if dt < 0 {
		return
	}
	doughC, airC = believed(doughC), believed(airC)
	if !math.IsNaN(airC) {
		c.airC, c.airSeen = airC, at
	}
	next := doughC
	if math.IsNaN(next) {
		next = c.drift(dt)
	} else if !c.measuredBefore { // the first reading holds for the time before it
		c.measuredBefore = true
		c.doughC = doughC
	}
	c.integrate(dt, next)
	c.at, c.doughC = at, next
	if !math.IsNaN(doughC) {
		c.doughSeen = at
	}
}

// equivalent is the equivalent time at a moment at or shortly before the clock's.
func (c *clock) equivalent(at float64) (ganzle, ctmi float64) {
	g, s := c.table.At(c.doughC)
	back := max(c.at-at, 0)
	return max(c.ganzle-back*g, 0), max(c.ctmi-back*s, 0)
}

// believed drops a temperature no kitchen has.
func believed(c float64) float64 {
	if c < -30 || c > 70 {
		return math.NaN()
	}
	return c
}

// integrate adds the equivalent time of a span over which the dough goes
// straight from its present temperature to the next.
func (c *clock) integrate(dt, nextC float64) {
	steps := 1 + int(min(24, math.Abs(nextC-c.doughC)/0.5))
	g0, s0 := c.table.At(c.doughC)
	for i := 1; i <= steps; i++ {
		g1, s1 := c.table.At(c.doughC + (nextC-c.doughC)*float64(i)/float64(steps))
		c.ganzle += dt / float64(steps) * (g0 + g1) / 2
		c.ctmi += dt / float64(steps) * (s0 + s1) / 2
		g0, s0 = g1, s1
	}
}

// drift is the dough's temperature some hours on when it is not measured.
func (c *clock) drift(dt float64) float64 {
	if c.cold {
		return c.cooling().Next(c.doughC, dt)
	}
	if !c.airKnown() {
		return c.doughC
	}
	if math.IsInf(c.doughSeen, -1) && c.at == 0 {
		return c.airC
	}
	return c.airC + (c.doughC-c.airC)*math.Exp(-relaxing*dt)
}

// cooling is the curve in the refrigerator. It ends where the air there stands
// once that has been seen to settle: a probe that was carried in passes through
// every temperature on its way down.
func (c *clock) cooling() kinetics.Cooling {
	k := kinetics.Fridge()
	if !c.airKnown() || c.airC >= 12 || c.airSeen <= c.sinceMove {
		return k
	}
	k.EndC = c.airC
	if c.airSeen-c.sinceMove < airSettles {
		k.EndC = min(k.EndC, kinetics.FridgeC)
	}
	return k
}

func (c *clock) airKnown() bool { return c.at-c.airSeen < 2 }

// move notes that the vessel went to the cold or came back.
func (c *clock) move(in bool) {
	c.cold, c.sinceMove = in, c.at
	if math.IsInf(c.airSeen, -1) || in {
		return
	}
	c.airSeen = math.Inf(-1) // the air read so far was the refrigerator's
}

// future fills the temperature at each time of the grid (hours from now) for a
// kitchen warmer than expected by z standard deviations.
func (c *clock) future(grid []float64, z float64, dst []float64) {
	if c.cold {
		c.futureCold(c.doughC, grid, z, dst)
		return
	}
	rate, airC := 0.0, c.doughC
	switch {
	case c.airKnown():
		rate, airC = relaxing, c.airC
	case !math.IsInf(c.sinceMove, -1): // out of the cold, into a room that is not measured
		rate, airC = relaxing, max(c.doughC, assumedC)
	}
	for i, h := range grid {
		dst[i] = airC + (c.doughC-airC)*math.Exp(-rate*h) + z*c.doubtC(h)
	}
}

// futureCold is the same in a refrigerator; the doubt is its set point and load.
func (c *clock) futureCold(from float64, grid []float64, z float64, dst []float64) {
	k := c.cooling()
	for i, h := range grid {
		dst[i] = k.Next(from, h) + z*1.2*-math.Expm1(-h/1.5)
	}
}

// doubtC is the standard deviation of the temperature some hours ahead: small
// now, and after a night what kitchens differ by (common practice, no source).
func (c *clock) doubtC(hours float64) float64 {
	now := 0.1
	if c.at-c.doughSeen > 0.5 {
		now = 1.0
		if !c.airKnown() {
			now = 2.0
		}
	}
	return now + 1.5*-math.Expm1(-hours/4)
}

// Growth returns the growth-hours so far, hours worth at 24 C as the mean of both
// responses, and how fast they run, at a time not before the last reading.
func (f *Fit) Growth(at float64) (hours, speed float64) {
	c := f.clock
	c.advance(at, math.NaN(), math.NaN())
	g, s := c.table.At(c.doughC)
	return (c.ganzle + c.ctmi) / 2, (g + s) / 2
}
