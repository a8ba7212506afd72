package estimator

import (
	"math"
	"time"

	"tidemark/estimator/forecast"
)

// refitHours is the shortest time between two fits without news, hours.
const refitHours = 30.0 / 3600

// fanColumns is the number of columns of the forecast fan.
const fanColumns = 28

// cached is what the last fit said.
type cached struct {
	fitted  bool
	at      float64 // hours
	out     outlook
	baseL   float64
	baseSDL float64
	carry   float64
	target  float64
	fan     []FanPoint
}

// refit brings the forecast up to date when there is news or time has passed.
// Before the start level has settled nothing is handed over: it may yet turn
// out to have been a lid.
func (e *Estimator) refit(t float64) {
	r := &e.rise
	if !r.active || t-r.start < settleHours+2*bucketHours {
		return
	}
	target := e.target()
	due := t-e.cached.at >= refitHours || r.news.urgent || math.Abs(target-e.cached.target) > 2
	if e.cached.fitted && !due || !e.cached.fitted && t-e.cached.at < refitHours && !r.news.urgent && e.cached.at > 0 {
		return
	}
	e.drain()
	e.fit.Refit(duration(t - r.start))
	e.ask(t, target)
}

// drain hands the news over to the forecast.
func (e *Estimator) drain() {
	w := &e.rise.news
	if w.restarted {
		e.fit = e.newFit()
	}
	for _, i := range w.items[:w.n] {
		at := duration(i.at - e.rise.start)
		switch i.kind {
		case isPoint:
			e.fit.Add(forecast.Point{At: at, VolumeL: i.a, SDL: i.b, DoughC: e.rise.track.doughC})
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
	w.n, w.restarted, w.urgent = 0, false, false
}

// ask reads the forecast.
func (e *Estimator) ask(t, target float64) {
	c := &e.cached
	r := &e.rise
	c.at, c.target = t, target
	crossing := e.fit.Crossing(target)
	out := noOutlook(crossing.Why)
	out.chance = crossing.Chance
	if crossing.Known {
		out.known, out.past = true, crossing.Past
		out.from = r.start + crossing.From.Hours()
		out.median = r.start + crossing.Median.Hours()
		out.until = r.start + crossing.Until.Hours()
	}
	out.ceilingLow, out.ceiling, out.ceilingHigh = e.fit.Ceiling()
	c.fitted = !math.IsNaN(out.ceiling)
	c.out = out
	c.baseL, c.baseSDL = math.NaN(), math.NaN()
	if c.fitted {
		c.baseL, c.baseSDL = e.fit.Baseline()
	}
	_, c.carry, _ = e.fit.CarryOver()
	e.askFan(t)
}

// askFan fills the fan from now to well past the mark.
func (e *Estimator) askFan(t float64) {
	c := &e.cached
	c.fan = nil
	if !c.fitted {
		return
	}
	span := 6.0
	if c.out.known {
		span = min(max(1.4*(c.out.until-t), 2), 24)
	}
	step := duration(span / (fanColumns - 1)).Round(time.Minute)
	for _, col := range e.fit.Fan(nil, step, fanColumns) {
		c.fan = append(c.fan, FanPoint{e.clock.at(e.rise.start + col.At.Hours()), col.P10Percent, col.P50Percent, col.P90Percent})
	}
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
