package forecast

import (
	"math"

	"tidemark/estimator/lsq"
)

// The sizes of the wander that are weighed against each other, as multiples of
// the standard size, and the belief in them before the data.
const (
	wanderSizes  = 6
	wanderLeast  = 0.12
	wanderFactor = 1.9
	wanderMedian = 0.65
	wanderSpread = 0.8 // of the logarithm
)

// wander says how far this dough strays from its best curve, from the evidence
// for each size (Laplace, one Gauss-Newton step from the last best curve). The
// result is the root of the mean square, so that doubt widens it.
func (f *Fit) wander() float64 {
	m := f.best()
	if !m.warm || f.state.n < 12 {
		return wanderMedian
	}
	m.state = &f.state
	p := m.best
	r := f.rows[:f.state.n+paramCount]
	jac := f.jac[:(f.state.n+paramCount)*paramCount]
	var evidence [wanderSizes]float64
	top := math.Inf(-1)
	size := wanderLeast
	for k := range evidence {
		logF := f.state.run(size)
		if !m.Residuals(p[:], r, jac) {
			return wanderMedian
		}
		z := math.Log(size/wanderMedian) / wanderSpread
		evidence[k] = -0.5*(logF+laplace(r, jac)) - 0.5*z*z
		top = max(top, evidence[k])
		size *= wanderFactor
	}
	var sum, square float64
	size = wanderLeast
	for _, e := range evidence {
		w := math.Exp(e - top)
		sum += w
		square += w * size * size
		size *= wanderFactor
	}
	return math.Sqrt(square / sum)
}

// laplace returns the sum of squares after one Gauss-Newton step plus the
// logarithm of the determinant of the information.
func laplace(r, jac []float64) float64 {
	var info [paramCount * paramCount]float64
	var grad params
	var ss float64
	for i, e := range r {
		row := jac[i*paramCount : (i+1)*paramCount]
		ss += e * e
		for a, x := range row {
			grad[a] += x * e
			for b := 0; b <= a; b++ {
				info[a*paramCount+b] += x * row[b]
			}
		}
	}
	if !lsq.Cholesky(info[:], paramCount) {
		return math.Inf(1)
	}
	step := grad
	lsq.SolveCholesky(info[:], paramCount, step[:])
	for a := range paramCount {
		ss -= step[a] * grad[a]
		ss += 2 * math.Log(info[a*paramCount+a])
	}
	return ss
}
