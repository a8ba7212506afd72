package estimator

import (
	"fmt"
	"math"
)

// view is what the phase rules look at: the rise at one moment in numbers.
// Times are hours on the estimator's clock.
type view struct {
	now, start   float64
	known        bool // level and start level are known
	seeing       bool // the last believed reading is fresh
	rise, sd     float64
	rate, rateSD float64 // percent per hour
	target       float64
	lead         float64
	fall         float64 // share of the highest volume lost
	fallSD       float64
	highRise     float64 // highest rise since the last knock
	slow         float64 // present rate over the best, at equal temperature; NaN unknown
	sinceKnock   float64
	cold         bool
	growth       float64 // growth-hours so far
	still        bool    // readings have not changed for longer than usual
	out          outlook
}

// outlook is what the forecast says.
type outlook struct {
	known, past         bool
	from, median, until float64 // hours on the estimator's clock
	even                float64 // when the mark is reached as likely as not; plus infinity never
	chance              float64
	why                 string
	ceilingLow          float64
	ceiling             float64
	ceilingHigh         float64
	ends                [3]float64 // when growth ends: low, median, high; NaN when unknown
}

// noOutlook is an outlook that knows nothing.
func noOutlook(why string) outlook {
	nan := math.NaN()
	return outlook{why: why, even: math.Inf(1), chance: nan, ceiling: nan, ceilingLow: nan, ceilingHigh: nan, ends: [3]float64{nan, nan, nan}}
}

// hold measures for how long a condition has held without a break.
type hold struct {
	on   bool
	from float64
}

// lasts reports whether cond has held for the given hours up to now.
func (h *hold) lasts(cond bool, now, hours float64) bool {
	if !cond {
		h.on = false
		return false
	}
	if !h.on {
		h.on, h.from = true, now
	}
	return now-h.from >= hours-1e-9 // times are sums of hours
}

// minutes as hours.
func minutes(m float64) float64 { return m / 60 }

// phases is the state machine of one rise. Every rule that moves it on has to
// hold for a while, and it moves back only where the words say so: it never
// flaps.
type phases struct {
	phase  Phase
	since  float64
	reason string

	rising, near, far, ready, over, fallen, back hold
	peak, falling, hungry, spent, short          hold

	readyGrowth float64 // growth-hours when it was ready
	exhausted   string  // reason, empty while there is rise left
	levelsOff   bool
	reached     float64 // when the mark was reached, hours; 0 not yet
	markFrom    float64 // the 80 % interval of that time as it was believed then, hours
	markUntil   float64
}

// startPhases is the machine at the start of a rise.
func startPhases(holds Holds, t float64) phases {
	p := phases{phase: Settling, since: t, reason: "Just started: the level still finds itself."}
	if holds == Starter {
		p.phase, p.reason = Lag, "Just fed."
	}
	return p
}

// enter moves to a phase.
func (p *phases) enter(to Phase, now float64, format string, args ...any) {
	p.phase, p.since, p.reason = to, now, fmt.Sprintf(format, args...)
}

// advance looks at the rise and moves on where it must.
func (p *phases) advance(v view, holds Holds) {
	if !v.known {
		return
	}
	p.judgeEnd(v)
	p.seeMark(v)
	if holds == Starter {
		p.starter(v)
		return
	}
	p.dough(v)
}

// markMoved takes back that the mark was reached, after it was put higher. A
// dough with no rise left stays over.
func (p *phases) markMoved(now float64) {
	p.reached, p.ready.on, p.near.on, p.far.on, p.over.on = 0, false, false, false, false
	if p.phase == Near || p.phase == Ready || p.phase == Over && p.exhausted == "" {
		p.enter(Rising, max(now, p.since), "The mark was put higher.")
	}
}

// seeMark notes when the mark was reached, whatever the phase.
func (p *phases) seeMark(v view) {
	reached := v.seeing && (v.rise >= v.target || v.out.past) ||
		!v.seeing && v.out.known && v.out.past && v.out.until <= v.now
	if p.ready.lasts(reached, v.now, minutes(1.5)) && p.reached == 0 && v.now-v.start > settleHours {
		p.reached = p.ready.from
		if v.out.past {
			p.reached = min(p.reached, v.out.median)
		}
		p.markFrom, p.markUntil = p.reached, p.reached
		if v.out.known {
			p.markFrom, p.markUntil = min(v.out.from, p.reached), max(v.out.until, p.reached)
		}
	}
}

// Limits of the judgement on a rise that ends, in percentage points, shares and
// growth-hours. Tuned on invented rises.
const (
	spentShare   = 0.18 // rate against the best at the same temperature
	spentPoints  = 8    // rise left by the forecast's upper quantile
	shortChance  = 0.12
	enoughGrowth = 2         // growth-hours before a rise can be called short
	shortCalm    = 75.0 / 60 // hours since a fold, whose dents look like slow growth at first
	deadGrowth   = 6         // growth-hours without a rise: it will not come
	deadPoints   = 8
)

// judgeEnd decides whether the rise is exhausted or will stay short.
func (p *phases) judgeEnd(v view) {
	calm := v.seeing && !v.cold && !v.still && v.sinceKnock > minutes(30)
	slow := v.slow < spentShare && v.rise > 15
	near := v.out.ceilingHigh-v.rise < spentPoints
	if p.spent.lasts(calm && slow && near, v.now, minutes(20)) && p.exhausted == "" {
		p.exhausted = fmt.Sprintf("Growth has nearly stopped: %.0f %% of its best rate for 20 minutes, and at most %.0f points of rise are left.",
			100*max(v.slow, 0), max(v.out.ceilingHigh-v.rise, 0))
	}
	short := v.out.chance < shortChance && v.growth > enoughGrowth && v.sinceKnock > shortCalm
	idle := v.growth > deadGrowth && v.highRise < deadPoints
	p.levelsOff = v.rise < v.target &&
		(p.short.lasts(calm && (short || idle), v.now, minutes(20)) || p.levelsOff && (v.out.chance < 0.35 || idle))
}
