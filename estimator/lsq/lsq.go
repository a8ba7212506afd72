// Package lsq fits a model to data by least squares with the method of
// Levenberg and Marquardt.
//
// Source of the method: Marquardt (1963), An algorithm for least-squares
// estimation of nonlinear parameters, J. Soc. Indust. Appl. Math. 11(2):431-441.
// The damping acts on each parameter in its own scale. The package knows nothing
// of dough; it works in whatever units its [Problem] does, keeps no state
// between fits but its buffers, and holds no random numbers. It is meant for a
// handful of parameters: the normal equations are solved by Cholesky.
package lsq

import (
	"errors"
	"math"
)

// MaxParams is the largest number of parameters a problem may have.
const MaxParams = 8

// Problem is a model against data. Residuals fills r (one entry a datum) and,
// when jac is not nil, jac row by row: jac[i*p+j] is the derivative of r[i] by
// parameter j. It reports false when the parameters are out of its domain.
type Problem interface {
	Size() (residuals, params int)
	Residuals(p, r, jac []float64) bool
}

// Options bound the work of a fit. Zero values mean the defaults.
type Options struct {
	MaxIterations int     // default 200
	Tolerance     float64 // relative change in the sum of squares to stop at, default 1e-15
	Damping       float64 // first damping, default 1e-3
}

// Result is a fit.
type Result struct {
	Params     []float64 // aliases the solver's buffer; copy to keep
	SumSquares float64
	Iterations int
	Converged  bool
	factor     [MaxParams * MaxParams]float64
	n, p       int
}

// Errors of Fit.
var (
	ErrStart    = errors.New("lsq: the start is outside the model's domain: choose another start")
	ErrTooMany  = errors.New("lsq: more than 8 parameters asked for: reduce the model")
	ErrSingular = errors.New("lsq: the data do not determine every parameter: fix one or add data")
)

// Solver holds the buffers of a fit, to be used again. The zero value is ready.
// It must not be used by two goroutines at once.
type Solver struct {
	r, jac, trialR, params, trial []float64
	normal, damped                [MaxParams * MaxParams]float64
	grad, step                    [MaxParams]float64
}

// Fit runs from start, which it does not change. A fit that stops at the limit
// of iterations is returned with Converged false and no error.
func (s *Solver) Fit(pr Problem, start []float64, opt Options) (Result, error) {
	n, p := pr.Size()
	if p > MaxParams {
		return Result{}, ErrTooMany
	}
	opt = opt.withDefaults()
	s.size(n, p)
	copy(s.params, start)
	if !pr.Residuals(s.params, s.r, s.jac) {
		return Result{}, ErrStart
	}
	res := Result{SumSquares: dot(s.r, s.r), n: n, p: p}
	if math.IsNaN(res.SumSquares) || math.IsInf(res.SumSquares, 0) {
		return Result{}, ErrStart
	}
	lambda := opt.Damping
	for res.Iterations = 1; res.Iterations <= opt.MaxIterations && !res.Converged; res.Iterations++ {
		s.buildNormal(n, p)
		var ok bool
		lambda, ok = s.descend(pr, &res, lambda, opt.Tolerance)
		if !ok { // no step promises or brings a lower sum: this is the least
			res.Converged = true
			break
		}
	}
	s.buildNormal(n, p)
	res.Params = s.params
	res.factor = s.normal
	if !Cholesky(res.factor[:p*p], p) {
		return res, ErrSingular
	}
	return res, nil
}

// descend raises the damping until a step lowers the sum of squares; false when
// none does, or the first-order promise of the step is below the tolerance.
func (s *Solver) descend(pr Problem, res *Result, lambda, tol float64) (float64, bool) {
	p := res.p
	for range 60 {
		copy(s.damped[:p*p], s.normal[:p*p])
		for j := range p {
			d := s.normal[j*p+j]
			s.damped[j*p+j] = d + lambda*max(d, 1e-300)
		}
		if Cholesky(s.damped[:p*p], p) {
			copy(s.step[:p], s.grad[:p])
			SolveCholesky(s.damped[:p*p], p, s.step[:p])
			if dot(s.step[:p], s.grad[:p]) <= tol*res.SumSquares {
				return lambda, false
			}
			for j := range p {
				s.trial[j] = s.params[j] - s.step[j]
			}
			if pr.Residuals(s.trial, s.trialR, nil) {
				if ss := dot(s.trialR, s.trialR); ss < res.SumSquares {
					res.Converged = res.SumSquares-ss <= tol*res.SumSquares
					res.SumSquares = ss
					copy(s.params, s.trial)
					pr.Residuals(s.params, s.r, s.jac)
					return max(lambda/10, 1e-15), true
				}
			}
		}
		lambda *= 10
		if lambda > 1e20 {
			break
		}
	}
	return lambda, false
}

func (s *Solver) buildNormal(n, p int) {
	clear(s.normal[:p*p])
	clear(s.grad[:p])
	for i := range n {
		row := s.jac[i*p : i*p+p]
		for j, a := range row {
			s.grad[j] += a * s.r[i]
			for k := 0; k <= j; k++ {
				s.normal[j*p+k] += a * row[k]
			}
		}
	}
	for j := range p {
		for k := range j {
			s.normal[k*p+j] = s.normal[j*p+k]
		}
	}
}

func (s *Solver) size(n, p int) {
	if cap(s.r) < n || cap(s.jac) < n*p {
		s.r, s.trialR = make([]float64, n), make([]float64, n)
		s.jac = make([]float64, n*p)
	}
	s.r, s.trialR, s.jac = s.r[:n], s.trialR[:n], s.jac[:n*p]
	if cap(s.params) < MaxParams {
		s.params, s.trial = make([]float64, MaxParams), make([]float64, MaxParams)
	}
	s.params, s.trial = s.params[:p], s.trial[:p]
}

func (o Options) withDefaults() Options {
	if o.MaxIterations == 0 {
		o.MaxIterations = 200
	}
	if o.Tolerance == 0 {
		o.Tolerance = 1e-15
	}
	if o.Damping == 0 {
		o.Damping = 1e-3
	}
	return o
}

// Covariance fills dst (params by params, row by row) with the inverse of J'J.
// Multiply by the residual variance when the residuals are not scaled to it.
func (r *Result) Covariance(dst []float64) {
	InverseFromCholesky(r.factor[:r.p*r.p], r.p, dst)
}

// StandardErrors returns the standard error of each parameter with the residual
// variance estimated from the sum of squares and the degrees of freedom left.
func (r *Result) StandardErrors() []float64 {
	cov := make([]float64, r.p*r.p)
	r.Covariance(cov)
	variance := r.SumSquares / float64(r.n-r.p)
	out := make([]float64, r.p)
	for j := range out {
		out[j] = math.Sqrt(variance * cov[j*r.p+j])
	}
	return out
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}
