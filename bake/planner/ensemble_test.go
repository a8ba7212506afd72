package planner

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/bake"
	"tidemark/estimator"
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
