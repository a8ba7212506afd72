package planner

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/bake"
	"tidemark/bake/heat"
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
	for name, want := range map[string]struct {
		d         dough
		low, high float64
	}{"middle dough": {middle(), 100, 130}} {
		for _, row := range estimator.CommonTargets() {
			speed := func(tempC float64) float64 { return c.speed(want.d, tempC) }
			shaping := 40.0 / 60 * speed(row.DoughC)
			cold := heat.Fridge{AirC: 4, PieceKg: 0.88}.Carry(row.DoughC, bake.CarryHours, speed)
			total := want.d.rise(want.d.need(row.RisePercent) + shaping + cold)
			t.Logf("%s, %.1f C: %.0f %% + shaping %.2f h + cold %.2f h at 24 C = %.0f %%", name, row.DoughC, row.RisePercent, shaping, cold, total)
			assert.Greater(t, total, want.low)
			assert.Less(t, total, want.high)
		}
	}
}

// A bulk at 25 C to 50 % takes 5 to 6 h with a 20 % starter, one at 23 C to
// 60 % 6 to 7 h, one at 21 C to 75 % 9 to 11 h, one at 27 C to 30 % 4.5 to 5 h
// (common practice, no source; a factor of two between kitchens is normal). The
// middle dough stays within that factor.
func TestUsualBulkTimes(t *testing.T) {
	c, d := ensemble{table: kinetics.NewResponses()}, middle()
	for _, row := range []struct{ doughC, rise, hours float64 }{{27, 30, 4.75}, {25, 50, 5.5}, {23, 60, 6.5}, {21, 75, 10}} {
		got := c.newPath(d, row.doughC, row.doughC, 1.8, pathHours).hours(d.need(row.rise))
		t.Logf("%g C to %g %%: usual %.2f h, middle dough %.2f h", row.doughC, row.rise, row.hours, got)
		assert.Greater(t, got, row.hours*0.75)
		assert.Less(t, got, row.hours*1.25)
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
