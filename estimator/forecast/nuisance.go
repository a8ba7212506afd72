package forecast

import "math"

// The states of the nuisance filter: all that a reading shows and that is no
// growth. Each is zero beforehand.
const (
	sStart  = iota // start volume beyond the nominal one, share
	sFloor         // floor distance, mm
	sDrift         // slow drift of the sensor, mm
	sWarm          // warm-up of the sensor at the start, mm
	sAir           // sensor against the air's temperature, mm per degree
	sDome          // dome, share of the start height at +100 %
	sBallA         // a ball that spreads fast, share of the start height
	sBallB         // and slowly
	sLoss          // volume lost in folds beyond the nominal, and what growth strays from its curve, start volumes
	sUneven        // surface after hands, mm
	sShift         // sensor or vessel moved beyond the nominal, mm
	stateCount
)

type vector [stateCount]float64

// row is one bin made ready for the filter in one branch.
type row struct {
	y            float64 // volume, nominal start volumes
	ganzle, ctmi float64 // equivalent hours since the row before
	loss         float64 // nominal loss before it, start volumes
	drift, even  float64 // shares left of states since the row before
	h, gain      vector
	miss         float64 // of the member that took it last, standard deviations
	isd          float64 // 1 over the standard deviation of the innovation
	logF         float64
}

// filter is the covariance of the states in one branch after its last row.
type filter struct {
	p  [stateCount][stateCount]float64
	at float64
	y  float64 // highest volume
	// The volume expected from the bins before, and its speed an hour: how the states
	// show must not lean on the noise of the bin itself, or they drift with it.
	smooth, speed float64
}

// newFilter starts from what is believed beforehand.
func newFilter() filter {
	var f filter
	sd := vector{startSD, floorSD, driftSD, warmSD, airSD, domeSD, ballSD, ballSD, 0, 0, 0}
	for i, s := range sd {
		f.p[i][i] = s * s
	}
	f.y, f.smooth = 1, 1
	return f
}

// statesBefore are the states beforehand.
func statesBefore() (m vector) {
	m[sBallA], m[sBallB] = ballMean, ballMean
	return m
}

// predict moves the covariance to a row that comes after dt hours.
func (f *filter) predict(r *row, dt float64) {
	r.drift = math.Exp(-dt / driftHours)
	r.even = math.Exp(-dt / unevenHours)
	p := &f.p
	for i := range p {
		p[i][sDrift] *= r.drift
		p[i][sUneven] *= r.even
	}
	for i := range p {
		p[sDrift][i] *= r.drift
		p[sUneven][i] *= r.even
	}
	p[sDrift][sDrift] += driftSD * driftSD * (1 - r.drift*r.drift)
	p[sLoss][sLoss] += strayBase*strayBase*dt + strayRise*strayRise*max(r.y-f.y, 0)
	f.at, f.y = f.at+dt, max(f.y, r.y)
}

// expect returns the volume expected after dt hours, and learns from the one seen.
func (f *filter) expect(seen, dt float64) float64 {
	dt = max(dt, 1e-3)
	expected := max(f.smooth+f.speed*min(dt, 0.5), 0.3)
	miss := seen - expected
	if dt > 0.5 {
		f.smooth, f.speed = seen, 0
		return seen
	}
	f.smooth = expected + 0.2*miss
	f.speed += 0.02 * miss / dt
	return expected
}

// update takes in a row whose observation has the given noise variance.
func (f *filter) update(r *row, variance float64) {
	p := &f.p
	var c vector
	for i := range c {
		for j, h := range r.h {
			c[i] += p[i][j] * h
		}
	}
	v := variance
	for i, h := range r.h {
		v += h * c[i]
	}
	inv := 1 / v
	for i := range c {
		r.gain[i] = c[i] * inv
	}
	for i := range c {
		for j := range i + 1 {
			p[i][j] -= r.gain[i] * c[j]
			p[j][i] = p[i][j]
		}
	}
	r.isd, r.logF = math.Sqrt(inv), math.Log(v)
}

// take moves one member's states to a row, given its curve's volume there, and
// returns twice the loss of likelihood, without the part that all members share.
func (r *row) take(m *vector, volume float64) float64 {
	m[sDrift] *= r.drift
	m[sUneven] *= r.even
	e := r.y - volume
	for i, h := range r.h {
		e -= h * m[i]
	}
	z := e * r.isd
	r.miss = z
	if z > clip {
		z, e = clip, clip/r.isd
	} else if z < -clip {
		z, e = -clip, -clip/r.isd
	}
	for i, g := range r.gain {
		m[i] += g * e
	}
	return z * z
}
