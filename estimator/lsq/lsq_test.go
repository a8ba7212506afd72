package lsq

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// curve fits y = f(x, p) with derivatives by central differences of a relative
// step, so that the solver is tested and not our algebra.
type curve struct {
	x, y []float64
	p    int
	f    func(x float64, p []float64) float64
}

func (c curve) Size() (int, int) { return len(c.x), c.p }

func (c curve) Residuals(p, r, jac []float64) bool {
	q := append([]float64(nil), p...)
	for i, x := range c.x {
		r[i] = c.y[i] - c.f(x, p)
		if math.IsNaN(r[i]) {
			return false
		}
		for j := range p {
			if jac != nil {
				h := 1e-6 * max(math.Abs(p[j]), 1e-3)
				q[j] = p[j] + h
				up := c.f(x, q)
				q[j] = p[j] - h
				jac[i*c.p+j] = -(up - c.f(x, q)) / (2 * h)
				q[j] = p[j]
			}
		}
	}
	return true
}

func logistic(x float64, p []float64) float64 { return p[0] / (1 + math.Exp((p[1]-x)/p[2])) }

// NIST Statistical Reference Datasets, nonlinear regression: Rat42 and Rat43
// (Ratkowsky 1983). The printed standard deviations of Rat43 belong to 11 degrees
// of freedom.
func TestNISTRat42(t *testing.T) {
	c := curve{
		x: []float64{9, 14, 21, 28, 42, 57, 63, 70, 79},
		y: []float64{8.930, 10.800, 18.590, 22.330, 39.350, 56.110, 61.730, 64.620, 67.080},
		p: 3,
		f: func(x float64, b []float64) float64 { return b[0] / (1 + math.Exp(b[1]-b[2]*x)) },
	}
	for _, start := range [][]float64{{100, 1, 0.1}, {75, 2.5, 0.07}} {
		checkFit(t, c, start,
			[]float64{7.2462237576e+01, 2.6180768402e+00, 6.7359200066e-02},
			[]float64{1.7340283401e+00, 8.8295217536e-02, 3.4465663377e-03}, 8.0565229338e+00)
	}
}

func TestNISTRat43(t *testing.T) {
	c := curve{
		y: []float64{16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56, 689.96, 637.56, 717.41},
		p: 4,
		f: func(x float64, b []float64) float64 { return b[0] / math.Pow(1+math.Exp(b[1]-b[2]*x), 1/b[3]) },
	}
	for i := range c.y {
		c.x = append(c.x, float64(i+1))
	}
	for _, start := range [][]float64{{100, 10, 1, 1}, {700, 5, 0.75, 1.3}} {
		checkFit(t, c, start,
			[]float64{6.9964151270e+02, 5.2771253025e+00, 7.5962938329e-01, 1.2792483859e+00},
			[]float64{1.6302297817e+01, 2.0828735829e+00, 1.9566123451e-01, 6.8761936385e-01}, 8.7864049080e+03)
	}
}

func checkFit(t *testing.T, c curve, start, want, sd []float64, ss float64) {
	t.Helper()
	var s Solver
	res, err := s.Fit(c, start, Options{})
	require.NoError(t, err)
	assert.True(t, res.Converged)
	assert.InEpsilon(t, ss, res.SumSquares, 1e-9)
	got := res.StandardErrors()
	for j := range want {
		assert.InEpsilon(t, want[j], res.Params[j], 1e-6, "parameter %d", j)
		assert.InEpsilon(t, sd[j], got[j], 1e-5, "standard error %d", j)
	}
}

// Data sets of base R (R Core Team, package datasets 4.2.2), logistic fits by its
// nls: parameter and standard error.
func TestLogisticFitsOfBaseR(t *testing.T) {
	dnase := curve{p: 3, f: logistic,
		y: []float64{0.017, 0.018, 0.121, 0.124, 0.206, 0.215, 0.377, 0.374, 0.614, 0.609, 1.019, 1.001, 1.334, 1.364, 1.730, 1.710}}
	for _, conc := range []float64{0.04882812, 0.1953125, 0.390625, 0.78125, 1.5625, 3.125, 6.25, 12.5} {
		dnase.x = append(dnase.x, math.Log(conc), math.Log(conc))
	}
	orange := curve{p: 3, f: logistic,
		x: []float64{118, 484, 664, 1004, 1231, 1372, 1582}, y: []float64{30, 51, 75, 108, 115, 139, 140}}
	chick := chickOne()
	for _, c := range []struct {
		name            string
		data            curve
		start, want, se []float64
	}{
		{"DNase run 1", dnase, []float64{3, 0, 1}, []float64{2.345182, 1.483092, 1.041455}, []float64{0.078154, 0.081353, 0.032271}},
		{"Orange tree 3", orange, []float64{150, 700, 350}, []float64{158.829437, 734.842097, 400.954811}, []float64{15.085135, 102.587220, 74.329482}},
		{"ChickWeight chick 1", chick, []float64{400, 20, 8}, []float64{937.029972, 35.222960, 11.405208}, []float64{465.867663, 8.312024, 0.905246}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s Solver
			res, err := s.Fit(c.data, c.start, Options{})
			require.NoError(t, err)
			se := res.StandardErrors()
			for j := range c.want {
				assert.InEpsilon(t, c.want[j], res.Params[j], 1e-4)
				assert.InEpsilon(t, c.se[j], se[j], 1e-3)
			}
		})
	}
}

func chickOne() curve {
	return curve{p: 3, f: logistic,
		x: []float64{0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 21},
		y: []float64{42, 51, 59, 64, 76, 93, 106, 125, 149, 171, 199, 205}}
}

func TestRefusals(t *testing.T) {
	var s Solver
	_, err := s.Fit(curve{x: []float64{1}, y: []float64{math.NaN()}, p: 3, f: logistic}, []float64{1, 1, 1}, Options{})
	assert.ErrorIs(t, err, ErrStart)
	_, err = s.Fit(curve{p: 9}, make([]float64, 9), Options{})
	assert.ErrorIs(t, err, ErrTooMany)
	flat := curve{x: []float64{1, 2, 3}, y: []float64{1, 2, 3}, p: 2, f: func(x float64, p []float64) float64 { return p[0] * x }}
	_, err = s.Fit(flat, []float64{0.5, 1}, Options{})
	assert.ErrorIs(t, err, ErrSingular, "the second parameter does nothing")
}

func TestInverseFromCholesky(t *testing.T) {
	a := []float64{4, 2, 0.6, 2, 5, 1, 0.6, 1, 3}
	l := append([]float64(nil), a...)
	require.True(t, Cholesky(l, 3))
	inv := make([]float64, 9)
	InverseFromCholesky(l, 3, inv)
	for i := range 3 {
		for j := range 3 {
			var sum float64
			for k := range 3 {
				sum += a[i*3+k] * inv[k*3+j]
			}
			want := 0.0
			if i == j {
				want = 1
			}
			assert.InDelta(t, want, sum, 1e-12)
		}
	}
	assert.False(t, Cholesky([]float64{1, 2, 2, 1}, 2), "not positive definite")
}
