package forecast

import "math"

// The constants of the wander: how a real dough strays from any curve. They were
// set by trying values on invented rises (see the tests), no source.
const (
	wanderHours  = 1.5   // correlation length of the wander
	wanderBase   = 0.003 // its standard deviation, share of V0, at no rise
	wanderRise   = 0.005 // and more for each doubling
	floorSD      = 0.001 // no bin is known better than this
	unevenSD     = 0.06  // after a disturbance, dying away
	unevenHours  = 0.12
	settledHours = 0.5  // by then it lies even
	coolingSD    = 0.02 // per root hour while cooling or warming through
)

const stateCount = 4 // wander, its rate of change, the level disturbances left, what of it heals

// healHours is how long a folded dough takes to spread and fill its dents again,
// as a time constant. Common practice, no source: it lies level again before
// the next fold half an hour later.
const healHours = 0.28

// dentShare is the variance of a dent as a share of that of the jump: whether a
// fold drove gas out or only pushed the dough about is not known beforehand.
const dentShare = 0.5

// startMisfit is the standard deviation, share of the start volume, of how far
// the first half hour strays from a curve made to fit the rest. It heals like a
// dent, but the start volume has it in.
const startMisfit = 0.005

type vector [stateCount]float64

// whitener holds the record as the fit sees it, and the Kalman filter that turns
// correlated residuals into independent ones. The residual of a bin is white
// noise, plus a smooth wander (a Matérn process of order 3/2: states 0 and 1,
// unit variance, times a reach that grows with the rise), plus a level that keeps
// what disturbances did to it (state 2), plus a dent that heals (state 3). The
// gains depend on the noise only, not on the curve, so they are found once a
// refit.
type whitener struct {
	n                   int
	at, y, ganzle, ctmi [maxBins]float64
	jump, dent, white   [maxBins]float64 // variances
	phi                 [maxBins][4]float64
	heal                [maxBins]float64 // share of state 3 left since the bin before
	reach               [maxBins]float64
	gain                [maxBins]vector
	isd, invF           [maxBins]float64
	pred                [maxBins]vector // predicted covariance with the observation
	smoothSD            [maxBins]float64
	endCov              [stateCount][stateCount]float64 // after the last bin
	size                float64
	startDent           float64          // standard deviation of the dent at the start, share of V0
	predCov             [maxBins]float64 // predicted variance of the deviation
}

// transition of the wander over some hours: Matérn 3/2 in state space form
// (Hartikainen and Särkkä 2010, from memory).
func transition(hours float64) [4]float64 {
	const rate = 1.7320508075688772 / wanderHours
	e := math.Exp(-rate * hours)
	return [4]float64{e * (1 + rate*hours), e * hours, -e * rate * rate * hours, e * (1 - rate*hours)}
}

// slopeVariance is the variance of state 1 when that of state 0 is 1.
const slopeVariance = 3 / (wanderHours * wanderHours)

// reachOf is the standard deviation of the wander at a level.
func reachOf(size, level float64) float64 {
	return wanderBase + size*wanderRise*min(max(level-1, 0), 3)
}

// A level this far below its peak for two bins on end is a collapse and no
// growth: three points of rise, and four standard deviations.
const (
	collapse   = 0.03
	collapseSD = 4
)

// fallenSince returns when the record peaked if it has fallen since, without a
// disturbance that explains it; +Inf if it has not.
func fallenSince(b *bins, scale, ratio float64) float64 {
	top, topAt, topVar, below := 0.0, 0.0, 0.0, 0
	jumped := math.Inf(-1)
	for i := range b.n {
		x := &b.list[i]
		if x.jump > 0 {
			top, below, jumped = 0, 0, x.jumpAt
		}
		if x.meanAt()-jumped < settledHours { // still uneven
			continue
		}
		y := x.meanVolume() / scale
		variance := ratio * x.variance / (x.n * x.n * scale * scale)
		if y >= top {
			top, topAt, topVar, below = y, x.meanAt(), variance, 0
			continue
		}
		if y < top-collapse-collapseSD*math.Sqrt(variance+topVar) {
			below++
		} else {
			below = 0
		}
	}
	if below >= 2 {
		return topAt
	}
	return math.Inf(1)
}

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
		w.phi[k] = transition(dt)
		w.heal[k] = math.Exp(-dt / healHours)
		w.jump[k], w.dent[k] = x.jump, dentShare*x.jump+x.dent
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
	w.size = size
	p := [stateCount][stateCount]float64{{1}, {0, slopeVariance}}
	p[3][3] = w.startDent*w.startDent + startMisfit*startMisfit
	for k := range w.n {
		predict(&p, w.phi[k], w.heal[k])
		p[2][2] += w.jump[k]
		p[3][3] += w.dent[k]
		h := reachOf(size, w.y[k])
		w.reach[k] = h
		var c vector
		for a := range c {
			c[a] = h*p[a][0] + p[a][2] + p[a][3]
		}
		v := h*c[0] + c[2] + c[3]
		f := v + w.white[k]
		w.pred[k], w.predCov[k] = c, v
		w.invF[k], w.isd[k] = 1/f, 1/math.Sqrt(f)
		for a := range c {
			w.gain[k][a] = c[a] / f
			for b := range c {
				p[a][b] -= c[a] * c[b] / f
			}
		}
		logF += math.Log(f)
	}
	w.endCov = p
	return logF
}

// predict moves a covariance over a span.
func predict(p *[stateCount][stateCount]float64, f [4]float64, heal float64) {
	a, b, c := p[0][0], p[0][1], p[1][1]
	d, e := p[0][2], p[1][2]
	g, h := p[0][3], p[1][3]
	p[0][0] = f[0]*f[0]*a + 2*f[0]*f[1]*b + f[1]*f[1]*c + 1 - f[0]*f[0] - f[1]*f[1]*slopeVariance
	p[0][1] = f[0]*f[2]*a + (f[0]*f[3]+f[1]*f[2])*b + f[1]*f[3]*c - f[0]*f[2] - f[1]*f[3]*slopeVariance
	p[1][1] = f[2]*f[2]*a + 2*f[2]*f[3]*b + f[3]*f[3]*c + slopeVariance - f[2]*f[2] - f[3]*f[3]*slopeVariance
	p[0][2] = f[0]*d + f[1]*e
	p[1][2] = f[2]*d + f[3]*e
	p[0][3] = heal * (f[0]*g + f[1]*h)
	p[1][3] = heal * (f[2]*g + f[3]*h)
	p[2][3] *= heal
	p[3][3] *= heal * heal
	mirror(p)
}

// mirror copies the upper half of a symmetric matrix into the lower.
func mirror(p *[stateCount][stateCount]float64) {
	for a := range p {
		for b := range a {
			p[a][b] = p[b][a]
		}
	}
}

// whiten replaces the residuals, and each column of the derivatives, by the
// standardised innovations.
func (w *whitener) whiten(r, jac []float64) {
	var s vector
	for i := range w.n {
		r[i] = w.step(i, &s, r[i]) * w.isd[i]
	}
	if jac == nil {
		return
	}
	var states [paramCount]vector
	for i := range w.n {
		row := jac[i*paramCount : (i+1)*paramCount]
		for j := range row {
			row[j] = w.step(i, &states[j], row[j]) * w.isd[i]
		}
	}
}

// step moves one column of states to a bin and returns the innovation there.
func (w *whitener) step(i int, s *vector, r float64) float64 {
	f, g := &w.phi[i], &w.gain[i]
	u, v := f[0]*s[0]+f[1]*s[1], f[2]*s[0]+f[3]*s[1]
	d := w.heal[i] * s[3]
	e := r - w.reach[i]*u - s[2] - d
	s[0], s[1], s[2], s[3] = u+g[0]*e, v+g[1]*e, s[2]+g[2]*e, d+g[3]*e
	return e
}

// filter is whiten for one sample: it returns the sum of squares and the states
// after the last bin, and leaves the innovations in r and the predicted
// deviation in dev.
func (w *whitener) filter(r, dev []float64) (ss float64, s vector) {
	for i := range w.n {
		y := r[i]
		e := w.step(i, &s, y)
		dev[i] = y - e
		r[i] = e
		ss += e * e * w.invF[i]
	}
	return ss, s
}

// backward turns the output of filter into the smoothed deviation from the
// curve: Durbin and Koopman, Time Series Analysis by State Space Methods,
// chapter 4 (from memory).
//
// It returns the dent there was at the start.
func (w *whitener) backward(v, dev []float64) (dent float64) {
	var r vector
	for i := w.n - 1; i >= 0; i-- {
		if i < w.n-1 {
			f := &w.phi[i+1]
			r[0], r[1] = f[0]*r[0]+f[2]*r[1], f[1]*r[0]+f[3]*r[1]
			r[3] *= w.heal[i+1]
		}
		g := &w.gain[i]
		e := v[i]*w.invF[i] - g[0]*r[0] - g[1]*r[1] - g[2]*r[2] - g[3]*r[3]
		r[0] += w.reach[i] * e
		r[2] += e
		r[3] += e
		c := &w.pred[i]
		dev[i] += c[0]*r[0] + c[1]*r[1] + c[2]*r[2] + c[3]*r[3]
	}
	return w.startDent * w.startDent * r[3]
}

// smooth finds the standard deviation of the deviation that stays after
// smoothing, by the matching recursion N = h h'/F + L' N L.
func (w *whitener) smooth() {
	var n [stateCount][stateCount]float64
	for i := w.n - 1; i >= 0; i-- {
		if i < w.n-1 {
			carryBack(&n, &w.phi[i+1], w.heal[i+1])
		}
		h := vector{w.reach[i], 0, 1, 1}
		g := &w.gain[i]
		var nk vector
		var knk float64
		for a := range nk {
			for b := range nk {
				nk[a] += n[a][b] * g[b]
			}
		}
		for a := range nk {
			knk += g[a] * nk[a]
		}
		c := &w.pred[i]
		var spent float64
		for a := range nk {
			for b := range nk {
				n[a][b] += h[a]*h[b]*(w.invF[i]+knk) - nk[a]*h[b] - h[a]*nk[b]
				spent += c[a] * n[a][b] * c[b]
			}
		}
		w.smoothSD[i] = math.Sqrt(max(w.predCov[i]-spent, 0))
	}
}

// carryBack replaces N by F'NF for the transition of the states.
func carryBack(n *[stateCount][stateCount]float64, f *[4]float64, heal float64) {
	a, b, c, d, e := n[0][0], n[0][1], n[1][1], n[0][2], n[1][2]
	g, h := n[0][3], n[1][3]
	n[0][0] = f[0]*f[0]*a + 2*f[0]*f[2]*b + f[2]*f[2]*c
	n[0][1] = f[0]*f[1]*a + (f[0]*f[3]+f[1]*f[2])*b + f[2]*f[3]*c
	n[1][1] = f[1]*f[1]*a + 2*f[1]*f[3]*b + f[3]*f[3]*c
	n[0][2] = f[0]*d + f[2]*e
	n[1][2] = f[1]*d + f[3]*e
	n[0][3] = heal * (f[0]*g + f[2]*h)
	n[1][3] = heal * (f[1]*g + f[3]*h)
	n[2][3] *= heal
	n[3][3] *= heal * heal
	mirror(n)
}
