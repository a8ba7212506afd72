package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator/kinetics"
	"tidemark/estimator/lsq"
)

// The Cramér-Rao bound on the +100 % time of a Gompertz rise (Zwietering and
// others 1990; A = 150 %, mu = 35 %/h, lag = 1.5 h), noise 1 % of rise, a point
// every 5 min from 0 up to the stated hour; computed values, minutes.
func TestCramerRaoRows(t *testing.T) {
	for _, c := range []struct {
		until           float64
		points          int
		sd              float64
		a, mu, lag      float64
		relative, known float64
	}{
		{2.0000, 25, 132.0, 150, 22.2, 0.5964, 2e-3, 8.130},
		{3.0000, 37, 14.17, 21.8, 2.219, 0.0815, 2e-3, 2.034},
		{3.5000, 43, 5.586, 10.5, 0.808, 0.0358, 5e-3, 1.252},
		{4.0000, 49, 2.371, 5.69, 0.339, 0.0181, 5e-3, 0.860},
	} {
		p := plainFit{}
		for i := 0; float64(i)/12 <= c.until+1e-9; i++ {
			p.t = append(p.t, float64(i)/12)
			p.y = append(p.y, kinetics.Gompertz().Rise(150, 35, 1.5, float64(i)/12))
		}
		require.Len(t, p.t, c.points)
		var s lsq.Solver
		res, err := s.Fit(&p, []float64{150, 35, 1.5}, lsq.Options{})
		require.NoError(t, err)
		cov := make([]float64, 9)
		res.Covariance(cov)
		g := [3]float64{-0.00592373, -0.08571083, 1}
		var v float64
		for a := range 3 {
			for b := range 3 {
				v += g[a] * cov[3*a+b] * g[b]
			}
		}
		assert.InEpsilon(t, c.sd, math.Sqrt(v)*60, 2e-3, "%g h", c.until)
		assert.InEpsilon(t, c.a, math.Sqrt(cov[0]), 5e-3)
		assert.InEpsilon(t, c.mu, math.Sqrt(cov[4]), 5e-3)
		assert.InEpsilon(t, c.lag, math.Sqrt(cov[8]), 5e-3)
	}
}

// The forecast of the same record must not claim to know more than the bound and
// its priors allow, nor be lost: its interval at 53 % of rise lies between.
func TestForecastNearTheBound(t *testing.T) {
	f := New(DefaultPrior("dough"))
	y0 := kinetics.Gompertz().Rise(150, 35, 1.5, 0)
	for i := 0; i <= 36; i++ {
		h := float64(i) / 12
		noise := []float64{0.8, -1.1, 0.4, 1.3, -0.7, -0.6, 0.9, -1.2, 0.2}[i%9]
		f.Add(Point{At: duration(h), VolumeL: 1 + (kinetics.Gompertz().Rise(150, 35, 1.5, h)-y0+noise)/100, SDL: 0.01, DoughC: 24})
	}
	f.Refit(duration(3))
	c := f.Crossing(100)
	require.True(t, c.Known, c.Why)
	width := (c.Until - c.From).Minutes()
	assert.Greater(t, width, 15.0, "less would be overconfident")
	assert.Less(t, width, 120.0)
	assert.InDelta(t, 4.5, c.Median.Hours(), 0.6)
}
