package estimator

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator/geometry"
)

// TestALookIsAskedForAndUsed watches an invented rise, tells the true rise when a look
// is asked for, and compares with the same rise without.
func TestALookIsAskedForAndUsed(t *testing.T) {
	s := plain()
	s.noiseMM, s.mound, s.spreads = 2, 0.05, 0.3 // dough put in as a ball
	watch := func(tell bool) (askedAt, askedRise float64, asked LookRequest, after Estimate) {
		e, err := New(s.config())
		require.NoError(t, err)
		truth := s.grow()
		askedAt = math.NaN()
		s.run(e, 2*time.Minute, func(h float64, x Estimate) {
			if !x.LookRequest.IsZero() && math.IsNaN(askedAt) {
				askedAt, askedRise, asked = h, x.RisePercent, x.LookRequest
				if tell {
					nan := math.NaN()
					e.Observe(Sample{Time: x.Time, DistanceMM: nan, DoughC: nan, AirC: nan, Event: Look, Value: truth.at(h)})
				}
			}
			if h < askedAt+0.1 {
				after = x
			}
		})
		return askedAt, askedRise, asked, after
	}
	at, rise, asked, without := watch(false)
	require.False(t, math.IsNaN(at), "a look is asked for")
	assert.True(t, asked.Step || rise > 35 && rise < 65, "about halfway, at %.0f %%", rise)
	assert.Less(t, asked.Then, asked.Now)
	_, _, _, with := watch(true)
	require.False(t, with.Ready.IsZero())
	assert.Less(t, with.RiseSD, without.RiseSD, "the rise is known better")
	assert.True(t, with.LookRequest.IsZero(), "not asked again at once")
}

// TestMinutesPerMM holds what a millimetre is worth against hand-worked cases: in a
// straight vessel it is 100 / start height percent, whatever its width.
func TestMinutesPerMM(t *testing.T) {
	for _, diameter := range []float64{60, 180} {
		p, err := geometry.Cylinder(diameter, 250)
		require.NoError(t, err)
		assert.InDelta(t, 4, MinutesPerMM(p, 75, 50, 20), 1e-6, "1.333 points at 20 points an hour")
	}
	cone, err := geometry.TaperedRound(100, 200, 200)
	require.NoError(t, err)
	assert.Greater(t, MinutesPerMM(cone, 50, 100, 20), MinutesPerMM(cone, 50, 0, 20), "wider above")
	assert.True(t, math.IsNaN(MinutesPerMM(cone, 50, 50, 0)))
	assert.True(t, math.IsNaN(MinutesPerMM(cone, -1, 50, 20)))
}
