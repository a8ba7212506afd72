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
		over, cold := c.batch.Limits(c.targetPercent, c.atC, c.proof)
		assert.InDelta(t, c.over, over, 0.1, c.name)
		assert.InDelta(t, c.cold, cold, 0.1, c.name)
	}
}
