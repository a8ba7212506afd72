package forecast

import (
	"math"

	"tidemark/estimator/kinetics"
	"tidemark/estimator/lsq"
)

// The parameters of a curve, in this order.
const (
	iVolume   = iota // ln of the start volume over the scale
	iCeiling         // ln percent
	iRate            // ln percent per equivalent hour
	iLag             // share of ceiling/rate
	iResponse        // logit of the weight of S. cerevisiae
	paramCount
)

type params [paramCount]float64

// model is one shape of curve with its prior, and the fit of it.
type model struct {
	shape  kinetics.Shape
	belief float64 // logarithm of its share before the record
	late   float64 // its lag beyond the Gompertz curve's, see lagOf
	mean   params
	sd     params
	state  *whitener
	best   params
	warm   bool
	ss     float64
	factor [paramCount * paramCount]float64
	weight float64 // Laplace evidence, then share
	idle   int     // refits it is left out of
}

const volumeSD = 0.5 // the start volume is known from the readings, hardly before

func newModel(s kinetics.Shape, p Prior) model {
	late := lagOf(s)
	return model{
		shape:  s,
		late:   late,
		belief: beliefIn(s),
		mean:   params{0, p.LogCeiling.Mean, p.LogRate.Mean, p.Lag.Mean + late, p.Response.Mean},
		sd:     params{volumeSD, p.LogCeiling.SD, p.LogRate.SD, p.Lag.SD, p.Response.SD},
	}
}

// rampBelief is the share of one ramp against that of one sigmoid.
const rampBelief = 0.4

// beliefIn is the logarithm of a shape's share before the record.
func beliefIn(s kinetics.Shape) float64 {
	if _, ramp := s.(kinetics.Ramp); ramp {
		return math.Log(rampBelief)
	}
	return 0
}

// lagOf is how much longer a shape's lag is than that of a Gompertz curve which
// reaches a tenth of its ceiling at the same time. Where the tangent at the
// steepest point meets zero says little of a shape that is steepest late: with
// one belief in that lag, such a rise would have to be well under way at the start.
func lagOf(s kinetics.Shape) float64 {
	const tenth = 0.1
	return kinetics.Gompertz().UnitInverse(tenth) - s.UnitInverse(tenth)
}

// curve is a parameter set made ready for use.
type curve struct {
	shape                      kinetics.Shape
	v0, ceiling, mu, lag, resp float64 // lag as a share of ceiling/mu
	s0, d0                     float64 // the unit curve and its slope at the start
}

func (m *model) curve(p []float64) curve {
	c := curve{shape: m.shape, v0: math.Exp(p[iVolume]), ceiling: math.Exp(p[iCeiling]), mu: math.Exp(p[iRate]), lag: p[iLag]}
	c.resp = 1 / (1 + math.Exp(-p[iResponse]))
	c.s0, c.d0 = c.shape.Unit(-c.lag)
	return c
}

// rise is the growth since the start, percent of V0, at an equivalent time.
func (c *curve) rise(ganzle, ctmi float64) float64 {
	y, _ := c.shape.Unit(c.mu/c.ceiling*(ganzle+c.resp*(ctmi-ganzle)) - c.lag)
	return c.ceiling * (y - c.s0)
}

// volume is the scaled volume at a rise of the curve.
func (c *curve) volume(rise float64) float64 { return c.v0 * (1 + rise/100) }

// final is the rise the curve ends at.
func (c *curve) final() float64 { return c.ceiling * (1 - c.s0) }

// equivalent is the equivalent time at which the curve reaches a rise.
func (c *curve) equivalent(rise float64) float64 {
	return c.ceiling / c.mu * (c.lag + c.shape.UnitInverse(rise/c.ceiling+c.s0))
}

// Size and Residuals make a model an lsq.Problem: the whitened residuals of the
// bins, then the parameters against their prior.
func (m *model) Size() (int, int) { return m.state.n + paramCount, paramCount }

// Residuals implements lsq.Problem.
func (m *model) Residuals(p, r, jac []float64) bool {
	if !inDomain(p) {
		return false
	}
	c := m.curve(p)
	w := m.state
	for i := range w.n {
		theta := w.ganzle[i] + c.resp*(w.ctmi[i]-w.ganzle[i])
		x := c.mu / c.ceiling * theta
		y, slope := c.shape.Unit(x - c.lag)
		g := c.ceiling * (y - c.s0)
		r[i] = w.y[i] - c.v0*(1+g/100)
		if jac == nil {
			continue
		}
		k := -c.v0 / 100
		row := jac[i*paramCount : (i+1)*paramCount]
		row[iVolume] = -c.v0 * (1 + g/100)
		row[iCeiling] = k * (g - c.ceiling*slope*x)
		row[iRate] = k * c.ceiling * slope * x
		row[iLag] = -k * c.ceiling * (slope - c.d0)
		row[iResponse] = k * c.mu * slope * (w.ctmi[i] - w.ganzle[i]) * c.resp * (1 - c.resp)
	}
	w.whiten(r, jac)
	m.priorResiduals(p, r, jac)
	return true
}

func (m *model) priorResiduals(p, r, jac []float64) {
	for j := range paramCount {
		i := m.state.n + j
		r[i] = (p[j] - m.mean[j]) / m.sd[j]
		if jac != nil {
			row := jac[i*paramCount : (i+1)*paramCount]
			clear(row)
			row[j] = 1 / m.sd[j]
		}
	}
}

func inDomain(p []float64) bool {
	return math.Abs(p[iVolume]) < 3 && math.Abs(p[iCeiling]-4.5) < 4 && math.Abs(p[iRate]-3) < 5 &&
		math.Abs(p[iLag]) < 12 && math.Abs(p[iResponse]) < 20
}

// fit finds the most probable parameters, from the last ones when those are
// better than the prior's.
func (m *model) fit(s *lsq.Solver, w *whitener) bool {
	m.state = w
	start := m.mean
	if m.warm {
		start = m.best
	}
	opt := lsq.Options{MaxIterations: 25, Tolerance: 3e-5}
	res, err := s.Fit(m, start[:], opt)
	if err != nil {
		m.warm = false
		return false
	}
	copy(m.best[:], res.Params)
	copy(m.factor[:], res.Factor())
	m.ss, m.warm = res.SumSquares, true
	m.weight = m.belief - 0.5*res.SumSquares - 0.5*res.LogDetInformation()
	return true
}
