package estimator

import "math"

// trend is a Kalman filter for a level and, optionally, its growth rate,
// observed with noise at uneven times.
//
// Model, with dt the time since the last step:
//
//	level(t+dt) = level(t) + rate(t)*dt + e1
//	rate(t+dt)  = rate(t) + e2
//	reading     = level + noise
//
// e2 is integrated white noise of density rateQ (the integrated random walk),
// e1 adds white noise of density levelQ. With rateQ 0 and the rate fixed at 0
// it is the local level model. The level starts exactly diffuse: the first
// reading sets it, without a made-up large variance (S. J. Koopman, Exact
// initial Kalman filtering and smoothing for nonstationary time series models,
// JASA 92 (1997), from memory).
//
// Units are the caller's: the estimator uses mm and hours.
type trend struct {
	level, rate   float64
	p11, p12, p22 float64 // covariance, finite part
	diffuse       bool    // nothing is known of the level yet
	levelQ, rateQ float64
	logLik        float64 // sum over the updates after the diffuse one
}

// newTrend starts a filter whose level is unknown and whose rate is 0 with the
// given standard deviation.
func newTrend(levelQ, rateQ, rateSD float64) trend {
	return trend{p22: rateSD * rateSD, diffuse: true, levelQ: levelQ, rateQ: rateQ}
}

// predict carries the state on by dt >= 0.
func (f *trend) predict(dt float64) {
	f.level += f.rate * dt
	f.p11 += dt*(2*f.p12+dt*f.p22) + f.levelQ*dt + f.rateQ*dt*dt*dt/3
	f.p12 += dt*f.p22 + f.rateQ*dt*dt/2
	f.p22 += f.rateQ * dt
}

// update takes in a reading with the given noise variance (> 0).
func (f *trend) update(reading, variance float64) {
	if f.diffuse {
		// The exact diffuse step: the level becomes the reading and takes over
		// its variance; the rate learns nothing from a single level.
		f.level, f.p11, f.p12, f.diffuse = reading, variance, 0, false
		return
	}
	s := f.p11 + variance
	miss := reading - f.level
	k1, k2 := f.p11/s, f.p12/s
	f.level += k1 * miss
	f.rate += k2 * miss
	f.p22 -= k2 * f.p12
	// Written so that p11 and p12 keep their sign under rounding.
	f.p11 = k1 * variance
	f.p12 = k2 * variance
	f.logLik -= 0.5 * (math.Log(2*math.Pi*s) + miss*miss/s)
}

// jumpTo sets the level anew after a step, keeping what is known of the rate.
func (f *trend) jumpTo(level, variance float64) {
	f.level, f.p11, f.p12, f.diffuse = level, variance, 0, false
}

// turnTo sets the rate anew where it has turned unseen; what it was counts as its
// doubt.
func (f *trend) turnTo(rate float64) {
	f.p22 = max(f.p22, f.rate*f.rate)
	f.rate, f.p12 = rate, 0
}
