package estimator

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Hands that fold without a word leave readings among the dough's that pass for
// level. Whether or not the small drop under them is found, the forecast is not taken in
// by it.
func TestASmallFoldUnderHands(t *testing.T) {
	s := plain()
	s.every, s.noiseMM, s.stepMM, s.hours = time.Second, 1.5, 3, 5
	s.knocks = []knockAt{{1.5, 0.6}, {2, 0.5}}
	s.disturb = func(h, level float64, rng *rand.Rand) (float64, bool) {
		for _, k := range s.knocks {
			if h > k.at-0.5/60 && h < k.at+1.5/60 {
				return s.handling(rng, level)
			}
		}
		return 0, false
	}
	e, err := New(s.config())
	require.NoError(t, err)
	grown := s.grow()
	due := grown.reaches(100)
	tr := s.run(e, time.Minute, func(h float64, x Estimate) {
		assert.False(t, x.LevelsOffShort, "at %.2f h", h)
		if h > 2.2 && h < 4.5 {
			assert.InDelta(t, grown.at(h), x.RisePercent, max(3, 2.5*x.RiseSD), "at %.2f h", h)
		}
		if h > due-0.75 && h < due-0.5 {
			assert.InDelta(t, due, x.Ready.Median.Sub(simEpoch).Hours(), 15.0/60, "at %.2f h", h)
		}
	})
	require.Equal(t, grown.reaches(100), tr.reaches(100))
}
