package alert

import (
	"math"
	"time"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// look is one input with what the rules need to know beside it.
type look struct {
	Input
	w       *Watch
	t       *text.Localizer // for this moment
	e       *estimator.Estimate
	watched bool
	dough   bool // the vessel holds dough, not starter
	hot     *heatAlarm
	hotAir  bool
	warming bool // the dough gets warmer at a pace worth waiting for
}

// rule looks at one moment and says what it finds; a kind may have several
// findings, one per sub key. A rule that returns nothing leaves its slots alone.
type rule func(*look) []finding

// rules returns the rules in the order their alarms are told.
func rules() []rule {
	return []rule{
		ovenHeating, sensorLost, sensorSuspect, probeLost, reached, over, near, levelsOff,
		starterHungry, starterFalling, starterPeak, stepsDue, planMoved, tooHot, tooCold,
		nobodyWatched, clockNotSet, diskNearlyFull, underVoltage,
	}
}

// watched reports whether a rise is under way.
func watched(in Input) bool {
	p := in.Estimate.Phase
	return p != "" && p != estimator.Idle && p != estimator.Ended
}

// look gathers what the rules need. It takes the temperatures in.
func (w *Watch) look(in Input) *look {
	if in.Lead <= 0 {
		in.Lead = w.rules.Lead
	}
	l := &look{Input: in, w: w, t: w.words.At(in.Now), e: &in.Estimate, watched: watched(in), dough: in.Holds != estimator.Starter}
	if pair := w.pair(in.Vessel); !pair.fed {
		w.feel(pair, in.Now, in.Estimate.DoughC, in.Estimate.AirC)
	}
	l.hot, l.hotAir = w.heat[in.Vessel].take()
	if w.trend[in.Vessel] == nil {
		w.trend[in.Vessel] = &warmth{}
	}
	l.warming = w.trend[in.Vessel].add(in.Now, in.Estimate.DoughC)
	return l
}

// orTime returns t, or def when t is zero.
func orTime(t, def time.Time) time.Time {
	if t.IsZero() {
		return def
	}
	return t
}

// active reports whether a kind is pending or open, so that the softer limit
// of its hysteresis holds.
func (l *look) active(kind Kind) bool {
	s := l.w.peek(l.Input, finding{kind: kind})
	return s.open || !s.since.IsZero()
}

// open reports whether a kind is raised and not resolved.
func (l *look) open(kind Kind) bool { return l.w.peek(l.Input, finding{kind: kind}).open }

// sees reports whether the estimate rests on believed readings.
func (l *look) sees() bool { return l.e.Quality == estimator.QualityOK || l.e.Quality == "" }

// warmth tells whether a temperature has been going up for half an hour.
type warmth struct{ points []heatPoint }

// warmthSpan and warmthC: this much more than this long ago is warming.
const (
	warmthSpan = 30 * time.Minute
	warmthC    = 0.7
)

// add takes a temperature in, one a minute is kept, and reports whether it is
// warming. Until a quarter of an hour is known it says yes, to wait.
func (h *warmth) add(now time.Time, c float64) bool {
	if math.IsNaN(c) {
		return false
	}
	if n := len(h.points); n == 0 || now.Sub(h.points[n-1].at) >= time.Minute {
		h.points = append(h.points, heatPoint{now, c})
	}
	for len(h.points) > 1 && now.Sub(h.points[1].at) >= warmthSpan {
		h.points = h.points[1:]
	}
	known := now.Sub(h.points[0].at)
	if known < warmthSpan/2 {
		return true
	}
	need := warmthC * min(1, float64(known)/float64(warmthSpan))
	return c-h.points[0].c >= need
}
