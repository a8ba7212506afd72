package estimator

import (
	"math"
	"time"

	"tidemark/estimator/geometry"
)

// LookRequest says that a look by eye would help, and how much: what the doubt of the
// present level adds to the time of the mark, as the half of an 80 % interval, as it
// stands and as it would be. How the dough will grow is doubted beside. The zero LookRequest
// asks nothing.
type LookRequest struct {
	Step      bool // the level jumped, and what it was is not certain; else about halfway to the mark
	Now, Then time.Duration
}

// IsZero reports whether nothing is asked.
func (w LookRequest) IsZero() bool { return w.Now == 0 }

// lookRequest says whether a look would help now.
func (e *Estimator) lookRequest(t, target float64) LookRequest {
	r := &e.rise
	stepped := t-r.stepped < lookAfterStep && r.lookAt < r.stepped
	if e.cfg.ByHand || !r.active || !stepped && t-r.lookAt < lookAfterStep {
		return LookRequest{}
	}
	rise, sd := e.fit.Rise(t - r.start)
	rate, _ := e.fit.Rate()
	if halfway := rise >= lookFrom*target && rise <= lookUntil*target; !stepped && !halfway || !(rate > 0) {
		return LookRequest{}
	}
	look := lookSD * (100 + rise)
	now, then := z90*sd/rate, z90*sd*look/math.Hypot(sd, look)/rate
	if !(now >= lookLeast && then <= lookNarrows*now) {
		return LookRequest{}
	}
	return LookRequest{Step: stepped, Now: duration(now).Round(time.Minute), Then: duration(then).Round(time.Minute)}
}

// MinutesPerMM is how many minutes of a rise one millimetre of height is worth in a
// vessel filled to startMM, at a rise in percent and a speed in percent an hour: what an
// error of the sensor of a millimetre comes to. NaN when it cannot be said.
func MinutesPerMM(p *geometry.Profile, startMM, risePercent, perHour float64) float64 {
	start := p.Volume(startMM)
	if !(start > 0 && perHour > 0) {
		return math.NaN()
	}
	height := p.Height(start * (1 + risePercent/100))
	return 100 * p.Area(height) / start / perHour * 60
}
