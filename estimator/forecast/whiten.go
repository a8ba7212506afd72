package forecast

import "math"

// whitener holds the record as the fit sees it, and the scalar Kalman filter
// that turns correlated residuals into independent ones. The residual of a bin
// is white noise, plus a slow wander (first-order Markov, state 0), plus a level
// that keeps what disturbances did to it (state 1). The gains depend on the
// noise only, not on the curve, so they are found once a refit.
type whitener struct {
	n                   int
	at, y, ganzle, ctmi [maxBins]float64
	jump, white         [maxBins]float64    // variances
	phi                 [maxBins]float64    // decay of the wander since the bin before
	gain                [maxBins][2]float64 // filter gains
	isd, invF           [maxBins]float64
	pred                [maxBins][3]float64 // predicted covariance: 00, 01, 11
	smoothSD            [maxBins]float64
	endCov              [3]float64 // after the last bin
	sigma               float64    // of the wander at the end
}

const (
	wanderHours = 1     // correlation time of the wander
	wanderBase  = 0.004 // its standard deviation, share of V0, at no rise
	wanderRise  = 0.006 // and more for each doubling
	floorSD     = 0.001 // no bin is known better than this
	unevenSD    = 0.06  // after a disturbance, dying away
	unevenHours = 0.12
	coolingSD   = 0.02 // per root hour while cooling or warming through
)

// load takes the bins, scaled.
func (w *whitener) load(b *bins, scale, stopped, moved float64) {
	ratio := b.noise.ratio()
	w.n = 0
	before, jumped := 0.0, math.Inf(-1)
	for i := range b.n {
		x := &b.list[i]
		at := x.meanAt()
		if at > stopped {
			break
		}
		if x.jump > 0 {
			jumped = x.jumpAt
		}
		k := w.n
		dt := at - before
		w.at[k], w.y[k] = at, x.meanVolume()/scale
		w.ganzle[k], w.ctmi[k] = x.meanGanzle(), x.meanCTMI()
		w.phi[k] = math.Exp(-dt / wanderHours)
		w.jump[k] = x.jump
		if at-moved < 4 {
			w.jump[k] += coolingSD * coolingSD * max(0, min(dt, at-moved))
		}
		r := ratio*x.variance/(x.n*x.n*scale*scale) + floorSD*floorSD
		if since := at - jumped; since < 1 {
			u := unevenSD * math.Exp(-since/unevenHours)
			r += u * u
		}
		w.white[k] = r
		before = at
		w.n++
	}
}

// run finds the gains for a wander of some size, and returns the sum of the
// logarithms of the innovation variances.
func (w *whitener) run(size float64) (logF float64) {
	var cov [3]float64
	for k := range w.n {
		w.sigma = size * (wanderBase + wanderRise*min(max(w.y[k]-1, 0), 2))
		phi2 := w.phi[k] * w.phi[k]
		cov[0] = cov[0]*phi2 + w.sigma*w.sigma*(1-phi2)
		cov[1] *= w.phi[k]
		cov[2] += w.jump[k]
		cov = w.update(k, cov, w.white[k])
		logF -= math.Log(w.invF[k])
	}
	w.endCov = cov
	return logF
}

// update does the covariance part of one filter step.
func (w *whitener) update(k int, p [3]float64, r float64) [3]float64 {
	w.pred[k] = p
	c0, c1 := p[0]+p[1], p[1]+p[2]
	f := c0 + c1 + r
	w.invF[k], w.isd[k] = 1/f, 1/math.Sqrt(f)
	w.gain[k] = [2]float64{c0 / f, c1 / f}
	return [3]float64{p[0] - c0*c0/f, p[1] - c0*c1/f, p[2] - c1*c1/f}
}

// whiten replaces the residuals, and each column of the derivatives, by the
// standardised innovations.
func (w *whitener) whiten(r, jac []float64) {
	var u, d float64
	for i := range w.n {
		u *= w.phi[i]
		v := r[i] - u - d
		u += w.gain[i][0] * v
		d += w.gain[i][1] * v
		r[i] = v * w.isd[i]
	}
	if jac == nil {
		return
	}
	var cu, cd params
	for i := range w.n {
		row := jac[i*paramCount : (i+1)*paramCount]
		for j := range row {
			cu[j] *= w.phi[i]
			v := row[j] - cu[j] - cd[j]
			cu[j] += w.gain[i][0] * v
			cd[j] += w.gain[i][1] * v
			row[j] = v * w.isd[i]
		}
	}
}

// filter is whiten for one sample: it returns the sum of squares and the states
// after the last bin, and leaves the innovations in r and the predicted
// deviation in dev.
func (w *whitener) filter(r, dev []float64) (ss, u, d float64) {
	for i := range w.n {
		u *= w.phi[i]
		dev[i] = u + d
		v := r[i] - u - d
		u += w.gain[i][0] * v
		d += w.gain[i][1] * v
		r[i] = v
		ss += v * v * w.invF[i]
	}
	return ss, u, d
}

// backward turns the output of filter into the smoothed deviation from the
// curve: Durbin and Koopman, Time Series Analysis by State Space Methods,
// chapter 4 (from memory), r(i-1) = h v/F + L' r(i).
func (w *whitener) backward(v, dev []float64) {
	var r0, r1 float64
	for i := w.n - 1; i >= 0; i-- {
		if i < w.n-1 {
			r0 *= w.phi[i+1]
		}
		s := w.gain[i][0]*r0 + w.gain[i][1]*r1
		e := v[i]*w.invF[i] - s
		r0, r1 = r0+e, r1+e
		p := w.pred[i]
		dev[i] += (p[0]+p[1])*r0 + (p[1]+p[2])*r1
	}
}

// smooth finds the standard deviation that stays after smoothing.
func (w *whitener) smooth() {
	var n00, n01, n11 float64
	for i := w.n - 1; i >= 0; i-- {
		if i < w.n-1 {
			f := w.phi[i+1]
			n00, n01 = n00*f*f, n01*f
		}
		k0, k1 := w.gain[i][0], w.gain[i][1]
		// L = I - K h' per state; N = h h'/F + L' N L.
		a0 := n00*k0 + n01*k1
		a1 := n01*k0 + n11*k1
		q := k0*a0 + k1*a1
		n00 += w.invF[i] - 2*a0 + q
		n01 += w.invF[i] - a0 - a1 + q
		n11 += w.invF[i] - 2*a1 + q
		p := w.pred[i]
		c0, c1 := p[0]+p[1], p[1]+p[2]
		v := c0 + c1 - (c0*c0*n00 + 2*c0*c1*n01 + c1*c1*n11)
		w.smoothSD[i] = math.Sqrt(max(v, 0))
	}
}
