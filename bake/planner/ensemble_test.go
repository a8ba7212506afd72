package planner

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

// middle is the middle dough of the default batch.
func middle() dough {
	return newEnsemble(Request{Batch: bake.DefaultBatch()}.prior(10)).middle
}

// The published rises at the end of bulk (T. Cucuzza, January 2023), plus 40
// minutes of shaping, plus what the cold still allows by the published cooling
// curve, come to nearly one figure over eight degrees: the total a retarded
// dough is meant to reach.
func TestPublishedTableAndCarryAgree(t *testing.T) {
	c := ensemble{table: kinetics.NewResponses()}
	d := middle()
	for _, row := range estimator.CommonTargets() {
		shaping := 40.0 / 60 * c.speed(d, row.DoughC)
		total := d.rise(d.need(row.RisePercent) + shaping + c.carry(d, row.DoughC, 0.88))
		t.Logf("%.1f C: %.0f %% + shaping %.2f h + cold = %.0f %%", row.DoughC, row.RisePercent, shaping, total)
		assert.InDelta(t, 115, total, 15)
	}
}

// The draws are fixed and cover the prior.
func TestDrawsAreNormal(t *testing.T) {
	var sum, sq [6]float64
	for i := range ensembleSize {
		for k, z := range draw(i) {
			sum[k] += z / ensembleSize
			sq[k] += z * z / ensembleSize
		}
	}
	for k := range sum {
		assert.InDelta(t, 0, sum[k], 0.07, "dimension %d", k)
		assert.InDelta(t, 1, sq[k], 0.12, "dimension %d", k)
	}
	assert.Equal(t, draw(3), draw(3))
}

func TestPathInverts(t *testing.T) {
	c, d := newEnsemble(forecast.DefaultPrior("dough"), 3), middle()
	p := c.newPath(d, 26, 20, 1.8, pathHours)
	for _, h := range []float64{0, 0.1, 1, 5.3, 20, 59} {
		assert.InDelta(t, h, p.hours(p.equiv(h)), 1e-6)
	}
	assert.True(t, math.IsInf(p.hours(1e6), 1))
	assert.InDelta(t, 26, p.temp(0), 1e-9)
}
