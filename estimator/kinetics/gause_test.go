package kinetics_test

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"tidemark/estimator/kinetics"
)

// logistic is amount = K/(1+exp(a - r t)) against the rows of one temperature.
type logistic struct{ hours, amount []float64 }

// misses returns what the curve leaves, its sum of squares and its slopes in K, a, r.
func (l *logistic) misses(p []float64) (miss *mat.VecDense, squares float64, slopes *mat.Dense) {
	miss, slopes = mat.NewVecDense(len(l.hours), nil), mat.NewDense(len(l.hours), 3, nil)
	for i, t := range l.hours {
		e := math.Exp(p[1] - p[2]*t)
		y := p[0] / (1 + e)
		d := y * e / (1 + e)
		miss.SetVec(i, l.amount[i]-y)
		slopes.SetRow(i, []float64{y / p[0], -d, d * t})
	}
	return miss, mat.Dot(miss, miss), slopes
}

// gause reads G. F. Gause (1932), Quarterly Review of Biology 7:27-46, Table 5.
func gause(t *testing.T) map[float64]*logistic {
	t.Helper()
	file, err := os.Open("testdata/gause-1932-yeast.csv")
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 103, "a header and 102 rows")
	out := map[float64]*logistic{}
	for _, row := range rows[1:] {
		var v [4]float64
		for i := range v {
			v[i], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		if out[v[0]] == nil {
			out[v[0]] = &logistic{}
		}
		out[v[0]].hours = append(out[v[0]].hours, v[2])
		out[v[0]].amount = append(out[v[0]].amount, v[3])
	}
	return out
}

// fitGause fits K, a and r by Gauss and Newton's method from near the solution, halving
// steps that make it worse, and returns them with the standard error of r.
func fitGause(t *testing.T, l *logistic, rate float64) (p []float64, seRate float64) {
	t.Helper()
	p = []float64{slices.Max(l.amount), 3.5, rate}
	for range 100 {
		miss, squares, slopes := l.misses(p)
		var step mat.VecDense
		require.NoError(t, step.SolveVec(slopes, miss))
		for scale := 1.0; scale > 1e-6; scale /= 2 {
			next := []float64{p[0] + scale*step.AtVec(0), p[1] + scale*step.AtVec(1), p[2] + scale*step.AtVec(2)}
			if _, s, _ := l.misses(next); s < squares {
				p = next
				break
			}
		}
	}
	_, squares, slopes := l.misses(p)
	var normal, inverse mat.Dense
	normal.Mul(slopes.T(), slopes)
	require.NoError(t, inverse.Inverse(&normal))
	return p, math.Sqrt(inverse.At(2, 2) * squares / float64(len(l.hours)-3))
}

// The pooled fits by R 4.2.2 nls: K, a, r and the standard error of r.
func gauseFits() map[float64][4]float64 {
	return map[float64][4]float64{
		5.7: {2.9556, 3.1486, 0.01265, 0.00328},
		15:  {8.1103, 3.8471, 0.07127, 0.01546},
		28:  {9.6546, 3.7636, 0.17485, 0.02449},
		33:  {6.7693, 3.7649, 0.26333, 0.07430},
		37:  {4.5622, 4.2818, 0.41299, 0.09032},
		39:  {2.5294, 3.3182, 0.31590, 0.13735},
		41:  {0.3854, 2.8583, 0.40724, 0.42304},
	}
}

func TestGauseFits(t *testing.T) {
	data := gause(t)
	for temp, want := range gauseFits() {
		p, se := fitGause(t, data[temp], want[2])
		for j := range 3 {
			assert.InEpsilon(t, want[j], p[j], 1e-3, "%g C, parameter %d", temp, j)
		}
		assert.InEpsilon(t, want[3], se, 2e-3, "%g C", temp)
		if temp == 41 {
			assert.Greater(t, se, p[2], "falls after 18 h: not a fit to trust")
		}
	}
}

// Each temperature is predicted from the others: speed by the cardinal
// temperature model for S. cerevisiae with one scale (from those above 8 C: so
// near its minimum the model is no number), the product r*t_half, and the ceiling
// K straight between the neighbours. The error is printed, and it is large: speed
// alone does not give a final height, and one strain is not another.
func TestGauseHeldOut(t *testing.T) {
	data := gause(t)
	temps := []float64{5.7, 15, 28, 33, 37, 39}
	model := kinetics.Cerevisiae()
	fits := map[float64][]float64{}
	for _, c := range temps {
		fits[c], _ = fitGause(t, data[c], gauseFits()[c][2])
	}
	for i, held := range temps[1:5] {
		var scale, a, n float64
		for _, c := range temps {
			if c != held && c > 8 {
				scale += math.Log(fits[c][2] / model.Rate(c))
				a += fits[c][1]
				n++
			}
		}
		low, high := temps[i], temps[i+2]
		f := (held - low) / (high - low)
		k := fits[low][0]*(1-f) + fits[high][0]*f
		rate := math.Exp(scale/n) * model.Rate(held)
		half, trueHalf := a/n/rate, fits[held][1]/fits[held][2]
		var ss float64
		for j, h := range data[held].hours {
			d := data[held].amount[j] - k/(1+math.Exp(a/n-rate*h))
			ss += d * d
		}
		rms := math.Sqrt(ss/float64(len(data[held].hours))) / fits[held][0]
		t.Logf("%4.1f C held out: half time %5.1f h predicted, %5.1f h fitted (%+.0f %%); ceiling %4.1f and %4.1f; RMS error %.0f %% of the ceiling",
			held, half, trueHalf, 100*(half/trueHalf-1), k, fits[held][0], 100*rms)
		assert.InDelta(t, 0, math.Log(half/trueHalf), math.Log(2), "within a factor of two")
		assert.Less(t, rms, 0.5)
	}
}
