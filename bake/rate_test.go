package bake

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The limits follow from Total and Stands, whose sources stand with them, and from the
// planner's bounds of 80 to 125 %.
func TestLimitsOfADough(t *testing.T) {
	lean, rye := Batch{}, Batch{Flours: []Flour{{Name: "rye", Grams: 500}}}
	require.Equal(t, Rye, rye.Kind())
	for _, c := range []struct {
		name               string
		batch              Batch
		proof              bool
		targetPercent, atC float64
		over, cold         float64
	}{
		{"a lean bulk to its double", lean, false, 100, 24, 115, 143.4},
		{"a same-day bulk", lean, false, 75, 24, 92.2, 143.4},
		{"before a night in the cold, warm", lean, false, 30, 27, 46.2, 135.3},
		{"a household's own high target", lean, false, 150, 24, 167.2, 187.5},
		{"rye", rye, false, 45, 26, 55, 112.5},
		{"a basket", lean, true, 45, 24, 62.2, 62.2},
	} {
		over, cold := c.batch.limits(c.targetPercent, c.atC, c.proof)
		assert.InDelta(t, c.over, over, 0.1, c.name)
		assert.InDelta(t, c.cold, cold, 0.1, c.name)
	}
}

// Bulk times with a 20 % starter: to 30 % at 27 C in 4.5 to 5 h, 50 % at 25 C in 5 to
// 6, 60 % at 23 C in 6 to 7, 75 % at 21 C in 9 to 11 (a baker's video description,
// common practice; a factor of two between sources is normal). The middle dough keeps
// each within a quarter.
func TestPublishedBulkTimes(t *testing.T) {
	for _, c := range []struct{ atC, rise, hours float64 }{{27, 30, 4.75}, {25, 50, 5.5}, {23, 60, 6.5}, {21, 75, 10}} {
		took := DefaultBatch().usualHours(c.rise) / Speed(c.atC)
		t.Logf("%g C to %g %%: published %g h, here %.1f h", c.atC, c.rise, c.hours, took)
		assert.InEpsilon(t, c.hours, took, 0.25)
	}
}
