package estimator

import (
	"math"
	"time"

	"tidemark/estimator/forecast"
)

// Times between two fits without news, hours: at least half a minute, more as
// the rise gets older and a minute means less, and long once it has fallen.
const (
	refitHours  = 30.0 / 3600
	refitShare  = 1.0 / 300 // of the rise's age
	refitOver   = 3.0 / 60
	refitFallen = 10.0 / 60
	fanHours    = 3.0 / 60 // the fan is dear and changes slowly
	refitHasty  = 5.0 / 60 // while catching up
)

// refitEvery is the time between two fits at the rise's age.
func (e *Estimator) refitEvery(t float64) float64 {
	every := max(refitHours, (t-e.rise.start)*refitShare)
	switch e.phases.phase {
	case Over, Peak, Falling:
		return max(every, refitOver)
	case Fallen, Hungry:
		return max(every, refitFallen)
	}
	return every
}

// fanColumns is the number of columns of the forecast fan.
const fanColumns = 28

// cached is what the last fit said.
type cached struct {
	asked   bool
	hasty   bool // the last fit was made while catching up
	fitted  bool
	at      float64 // hours
	fanAt   float64
	out     outlook
	baseL   float64 // start volume, litres
	baseSDL float64
	fitL    float64 // the forecast's own start volume
	carry   float64
	target  float64
	fan     []FanPoint
}

// refit brings the forecast up to date when there is news or time has passed.
// Before the start level has settled nothing is handed over: it may yet turn
// out to have been a lid.
func (e *Estimator) refit(t float64, hasty bool) {
	r := &e.rise
	if !r.active || t-r.start < settleHours+2*bucketHours {
		return
	}
	target := e.target()
	urgent := r.news.urgent || math.Abs(target-e.cached.target) > 2
	every := e.refitEvery(t)
	if hasty {
		every = max(every, refitHasty)
	}
	if late := e.cached.hasty && !hasty; e.cached.asked && !urgent && !late && t-e.cached.at < every {
		return
	}
	e.cached.hasty = hasty
	e.fit.Spread(e.spread())
	e.fit.Refit(duration(e.drain(t) - r.start))
	e.ask(t, target, urgent)
	e.fit.Rest()
}

// drain hands the news over to the forecast, but for the latest points, which
// may yet be taken back. Everything after the first point held waits with it:
// the forecast wants its news in order, and stands at the time returned. When
// the room runs short, all goes.
func (e *Estimator) drain(t float64) float64 {
	w := &e.rise.news
	if w.restarted {
		e.fit = e.newFit()
	}
	all := !e.rise.active || w.n > len(w.items)/2
	done := 0
	for _, i := range w.items[:w.n] {
		if !all && i.kind == isPoint && i.at >= w.heldFrom {
			t = min(t, i.at)
			break
		}
		e.tell(i)
		done++
	}
	copy(w.items[:], w.items[done:w.n])
	w.n -= done
	w.restarted, w.urgent = false, false
	return t
}

// tell hands one piece of news over.
func (e *Estimator) tell(i item) {
	at := duration(i.at - e.rise.start)
	switch i.kind {
	case isPoint:
		e.fit.Add(forecast.Point{At: at, VolumeL: i.a, SDL: i.b, DoughC: math.NaN(), Hands: i.hands})
	case isTemper:
		e.fit.Temper(at, i.a, i.b)
	case isDisturb:
		e.fit.Disturb(at, i.a)
	case isCold, isWarm:
		e.fit.Cold(at, i.kind == isCold)
	case isStop:
		e.fit.Stop(at)
	}
}

// ask reads the forecast.
func (e *Estimator) ask(t, target float64, urgent bool) {
	c := &e.cached
	r := &e.rise
	c.at, c.target, c.asked = t, target, true
	low, mid, high := e.fit.Ceiling()
	c.fitted = !math.IsNaN(mid)
	c.bases(e)
	crossing := e.fit.Crossing(c.aim(target, e.toGo(t, target)))
	out := noOutlook(crossing.Why)
	out.chance = crossing.Chance
	if crossing.Known {
		out.known, out.past = true, crossing.Past
		out.from = r.start + crossing.From.Hours()
		out.median = r.start + crossing.Median.Hours()
		out.until = r.start + crossing.Until.Hours()
	}
	out.ceilingLow, out.ceiling, out.ceilingHigh = c.fromFit(low), c.fromFit(mid), c.fromFit(high)
	c.out = out
	if c.hasty {
		c.fan, c.carry = nil, math.NaN()
		return
	}
	_, c.carry, _ = e.fit.CarryOver()
	if urgent || len(c.fan) == 0 || t-c.fanAt >= fanHours {
		e.askFan(t)
	}
}

// spread is how much too high the dough stood at first, as a share of the start
// volume: about twice what it sank from one window of the start to the next.
func (e *Estimator) spread() float64 {
	sunk := e.rise.base.sunk(e.rise.bucketR)
	if sunk == 0 {
		return 0
	}
	p := e.cfg.Profile
	low := e.rise.base.second.level
	return min(2*(p.Volume(low+sunk)-p.Volume(low))/p.Volume(low), 0.5)
}

// misfit is the doubt about the forecast's start volume beyond its own: a curve
// that is not quite the dough's bends the start to fit the rest. A share.
const misfit = 0.008

// bases settles on the start volume: what was read in the first minutes and
// what the forecast's curve says, each by its weight.
func (c *cached) bases(e *Estimator) {
	c.baseL, c.baseSDL, c.fitL = math.NaN(), math.NaN(), math.NaN()
	if !c.fitted {
		return
	}
	fitL, fitSD := e.fit.Baseline()
	c.fitL, c.baseL, c.baseSDL = fitL, fitL, fitSD
	if !e.rise.base.known() && e.rise.hintL == 0 {
		return
	}
	seenL, seenSD := e.seenBaseline()
	a, b := 1/sq(seenSD), 1/(sq(fitSD)+sq(misfit*fitL))
	c.baseL = (a*seenL + b*fitL) / (a + b)
	c.baseSDL = math.Sqrt(1 / (a + b))
}

// aim is the rise to ask the forecast for. Close to the mark it is the mark over
// the settled start volume. Farther away it is the mark over the forecast's own:
// where its curve lies below the dough's at the start it also lies below it
// ahead, and the two errors cancel (measured on invented rises).
func (c *cached) aim(target, toGo float64) float64 {
	w := min(max((15-toGo)/10, 0), 1)
	return target + w*(c.toFit(target)-target)
}

// toGo is the rise still missing to the mark, percentage points.
func (e *Estimator) toGo(t, target float64) float64 {
	volume, _, _, _ := e.present(t)
	return target - 100*(volume/e.cached.baseL-1)
}

// toFit turns a rise over the settled start volume into one over the forecast's
// own; fromFit is the way back. Both in percent.
func (c *cached) toFit(percent float64) float64 {
	if !c.fitted {
		return percent
	}
	return 100 * ((1+percent/100)*c.baseL/c.fitL - 1)
}

func (c *cached) fromFit(percent float64) float64 {
	if !c.fitted {
		return percent
	}
	return 100 * ((1+percent/100)*c.fitL/c.baseL - 1)
}

// askFan fills the fan from now to well past the mark.
func (e *Estimator) askFan(t float64) {
	c := &e.cached
	c.fan, c.fanAt = nil, t
	if !c.fitted {
		return
	}
	span := 6.0
	if c.out.known {
		span = min(max(1.4*(c.out.until-t), 2), 24)
	}
	span = max(span, e.spanBeyond(t))
	step := duration(span / (fanColumns - 1)).Round(time.Minute)
	for _, col := range e.fit.Fan(nil, step, fanColumns) {
		at := e.clock.at(e.rise.start + col.At.Hours())
		c.fan = append(c.fan, FanPoint{at, c.fromFit(col.P10Percent), c.fromFit(col.P50Percent), c.fromFit(col.P90Percent)})
	}
}

// spanBeyond is how far the fan must reach so that its middle gets to the rise
// beyond the mark that was asked for, hours; 0 when none was or it never does.
func (e *Estimator) spanBeyond(t float64) float64 {
	if e.fanTo <= e.target() {
		return 0
	}
	far := e.fit.Crossing(e.cached.aim(e.fanTo, e.toGo(t, e.fanTo)))
	if !far.Known {
		return 0
	}
	return min(1.15*(e.rise.start+far.Median.Hours()-t)+0.5, 24)
}

// target is the mark now, percent: the user's own number, else by the table and
// the dough's temperature, else doubling.
func (e *Estimator) target() float64 {
	if e.cfg.TargetPercent > 0 {
		return e.cfg.TargetPercent
	}
	if by := e.cfg.TargetTable.At(e.rise.tableC); !math.IsNaN(by) {
		return by
	}
	return DefaultTargetPercent
}
