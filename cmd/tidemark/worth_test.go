package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator/geometry"
)

// TestWorthOfMM works one case by hand: 80 mm of dough in a straight tub of 200 mm, a
// millimetre is 1.25 points, at 25 points an hour 3 minutes.
func TestWorthOfMM(t *testing.T) {
	p, err := geometry.Cylinder(180, 200)
	require.NoError(t, err)
	text := worthOfMM(config.Vessel{Profile: p})
	assert.Contains(t, text, "80 mm high at the start")
	assert.Contains(t, text, "one millimetre of height is 3.0 minutes")
	assert.Contains(t, text, "± 5 minutes")
}
