package app

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator/geometry"
)

// TestWorthOfMM works one case by hand: 80 mm of dough in a straight tub of 200 mm, a
// millimetre is 1.25 points, at 25 points an hour 3 minutes.
func TestWorthOfMM(t *testing.T) {
	t.Parallel()
	p, err := geometry.Cylinder(180, 200)
	require.NoError(t, err)
	said := WorthOfMM(config.Vessel{}, p, text.New(text.Locale{}))
	assert.Contains(t, said, "80 mm high at the start")
	assert.Contains(t, said, "one millimetre of height is 3.0 minutes")
	assert.Contains(t, said, "about ± 5 minutes")
	assert.Empty(t, WorthOfMM(config.Vessel{}, nil, nil))
}
