package bake

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
)

// A starter put into the cold after its peak is hungry much later than one left
// out, but is fed within a week.
func TestColdAfterThePeakDelaysTheHunger(t *testing.T) {
	f := NewFeed(at(9, 0), 1, 60, 0)
	seen := estimator.Estimate{Phase: estimator.Falling, PeakAt: at(13, 0), PhaseSince: at(13, 30)}
	out, err := tend(f, nil, 24, time.Time{}, 4, seen)
	require.NoError(t, err)
	in, err := tend(f, nil, 24, at(14, 0), 4, seen)
	require.NoError(t, err)
	assert.Equal(t, out.Peak, in.Peak, "the peak was before the cold")
	assert.Equal(t, at(9, 0).Add(time.Duration(1.8*4*float64(time.Hour))), out.Hungry.Median)
	assert.Greater(t, in.Hungry.Median.Sub(out.Hungry.Median), 12*time.Hour)
	assert.False(t, in.NextFeed.After(at(14, 0).AddDate(0, 0, 7)))
	assert.Equal(t, "By the peak that the sensor saw.", words(out.Basis...))

	// A peak in the cold: 2 h warm, then 4 h at 4 C, which count for little.
	slow := seen
	slow.PeakAt = at(15, 0)
	late, err := tend(f, nil, 24, at(11, 0), 4, slow)
	require.NoError(t, err)
	assert.True(t, late.UseUntil.After(late.Peak.Median))
	assert.Greater(t, late.UseUntil.Sub(late.Peak.Median), time.Hour, "what is left goes as slowly")
}

func TestCareSaysWhatItRestsOn(t *testing.T) {
	f := NewFeed(at(9, 0), 1, 60, 0)
	past := PastFeed{Feed: f, MeanC: 24, PeakHours: 4, PeakPercent: 120}
	for n, want := range []string{"By the published times", "By one past feeding of this starter and the published times", "By 2 past feedings"} {
		var list []PastFeed
		for range n {
			list = append(list, past)
		}
		c, err := tend(f, list, 24, time.Time{}, 4, unseen())
		require.NoError(t, err)
		assert.Contains(t, words(c.Basis...), want)
	}
}
