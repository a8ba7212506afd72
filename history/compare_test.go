package history

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/bake"
	"tidemark/estimator"
)

// TestTheilSenCloudSeeding checks against the worked example of Theil's estimator
// in Hollander and Wolfe, Nonparametric Statistical Methods (effect of cloud
// seeding on rainfall, five years): Kendall's count -6, slope about -0.056. The
// data are given from memory.
func TestTheilSenCloudSeeding(t *testing.T) {
	got := theilSen([]float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03})
	assert.InDelta(t, -0.05625, got.PerWeek, 1e-12)
	assert.False(t, got.Clear, "five points are too few for a trend to be called clear")
}

// TestSenInterval checks ranks M1 and M2+1 of the interval by hand: ten points
// without ties have 45 slopes and Var(S) = 10*9*25/18 = 125, so the 95 % interval
// runs from slope (45-21.9)/2 = 11.5 to 33.5+1 in order, cut to whole ranks.
func TestSenInterval(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	y := []float64{5, 4.8, 4.9, 4.1, 4.4, 3.9, 3.2, 3.6, 3.1, 2.7}
	var slopes []float64
	for i := range x {
		for j := range i {
			slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
		}
	}
	median(slopes)
	got := theilSen(x, y)
	assert.Equal(t, slopes[10], got.Low)
	assert.Equal(t, slopes[33], got.High)
	assert.True(t, got.Clear)
}

func TestTheilSenProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(8, 40).Draw(rt, "n")
		a := rapid.Float64Range(-5, 5).Draw(rt, "slope")
		b := rapid.Float64Range(-100, 100).Draw(rt, "level")
		var x, y []float64
		for i := range n {
			x = append(x, float64(i))
			y = append(y, b+a*float64(i))
		}
		// Fewer than three in ten wild points do not carry the line away.
		for range n / 10 {
			y[rapid.IntRange(0, n-1).Draw(rt, "at")] += rapid.Float64Range(-1e4, 1e4).Draw(rt, "wild")
		}
		got := theilSen(x, y)
		assert.InDelta(rt, a, got.PerWeek, 1e-6)
	})
	for n := range 2 {
		got := theilSen(make([]float64, n), make([]float64, n))
		assert.True(t, math.IsNaN(got.PerWeek))
		assert.False(t, got.Clear)
	}
	same := theilSen(make([]float64, 10), []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	assert.True(t, math.IsNaN(same.PerWeek), "ten rises at one moment have no trend")
}

// starterRise is an invented watched feeding.
func starterRise(week, equiv, peak float64) Rise {
	at := t0.Add(time.Duration(week * 7 * 24 * float64(time.Hour)))
	return Rise{ID: int64(week * 10), Vessel: "jar", Holds: estimator.Starter, StartedAt: at, PeakAt: at.Add(6 * time.Hour),
		EndedAt: at.Add(8 * time.Hour), PeakPercent: peak, PeakEquivHours: equiv, MeanDoughC: math.NaN()}
}

func TestVigour(t *testing.T) {
	var rises []Rise
	for i := range 12 {
		wobble := math.Sin(float64(i)*2.1) / 10
		rises = append(rises, starterRise(float64(11-i), 5+0.2*float64(11-i)+wobble, 150+40*wobble))
	}
	early := starterRise(20, 1, 20)
	early.EndedAt = early.PeakAt
	dough := starterRise(21, 1, 20)
	dough.Holds = estimator.Dough
	unknown := starterRise(22, math.NaN(), 20)
	underWay := starterRise(23, 1, 20)
	underWay.EndedAt = time.Time{}
	falling := underWay
	falling.StartedAt, falling.Phase = t0.Add(12*7*24*time.Hour), estimator.Falling
	falling.PeakEquivHours, falling.PeakPercent = 7.4, 150
	v := VigourOf(append(rises, early, dough, unknown, underWay, falling))
	require.Len(t, v.Points, 13, "only feedings watched past the peak count")
	assert.True(t, v.Points[0].At.Before(v.Points[1].At))
	assert.InDelta(t, 0.2, v.ToPeak.PerWeek, 0.03)
	assert.True(t, v.ToPeak.Clear)
	assert.False(t, v.Peak.Clear, "a level that only wobbles has no trend")
	assert.InDelta(t, 150, v.Peak.Middle, 4)
	assert.Zero(t, VigourOf(nil).ToPeak.N)
}

// ratedRise is an invented dough with a rating.
func ratedRise(i int, doughC, pastMark float64, outcome string) Rise {
	at := t0.Add(time.Duration(i) * 24 * time.Hour)
	return Rise{ID: int64(i + 1), Vessel: "tub", Holds: estimator.Dough, StartedAt: at, ReachedAt: at.Add(5 * time.Hour),
		EndedAt: at.Add(5*time.Hour + time.Duration(pastMark*float64(time.Hour))), MeanDoughC: doughC, MaxRate: math.NaN(),
		CeilingPct: math.NaN(), PeakPercent: math.NaN(), ReachedEquivHours: math.NaN(), TargetPercent: 100, Outcome: outcome}
}

func TestFactsAndCompare(t *testing.T) {
	batch, err := json.Marshal(bake.Batch{Flours: []bake.Flour{{Name: "bread flour", Grams: 450}}, WaterG: 325,
		Levain: bake.Levain{Grams: 100, HydrationPercent: 100}, SaltG: 10})
	require.NoError(t, err)
	a, b := ratedRise(0, 24, 0.5, "right"), ratedRise(1, 24.3, 2, "over")
	a.Batch = batch
	f := FactsOf(a)
	assert.InDelta(t, 10, f.InoculationPercent, 1e-9)
	assert.InDelta(t, 75, f.HydrationPercent, 1e-9)
	assert.InDelta(t, 2, f.SaltPercent, 1e-9)
	assert.Equal(t, 5.0, f.HoursToMark)
	assert.Equal(t, 0.5, f.HoursPastMark)
	assert.True(t, math.IsNaN(f.HoursToPeak))
	feed, err := json.Marshal(bake.Feed{At: t0, StarterG: 20, FlourG: 40, WaterG: 40})
	require.NoError(t, err)
	s := FactsOf(Rise{Batch: feed})
	assert.Equal(t, "1 : 2 : 2", s.FeedRatio)
	assert.InDelta(t, math.Log2(5), s.FeedDoublings, 1e-12)
	assert.True(t, math.IsNaN(s.InoculationPercent))
	assert.True(t, math.IsNaN(FactsOf(Rise{Batch: []byte("not JSON")}).SaltPercent))

	c := Compare([]Rise{a, b})
	differs := map[string]bool{}
	for _, l := range c.Lines {
		require.Len(t, l.Values, 2)
		differs[l.Feature.Key] = l.Differs
	}
	assert.Equal(t, map[string]bool{"mean_dough_c": false, "inoculation_percent": false, "hydration_percent": false,
		"salt_percent": false, "whole_percent": false, "target_percent": false, "hours_to_mark": false,
		"hours_past_mark": true, "hours_total": true}, differs)
}

func TestJudgedLoavesSideBySide(t *testing.T) {
	counts, table := Judged([]Rise{ratedRise(0, 22, 0.5, "under"), ratedRise(1, 24, 1, "right"), ratedRise(2, 24.2, 1, "right"),
		ratedRise(3, 25, 1.2, "right"), ratedRise(4, 24.3, 2, "over"), ratedRise(5, 30, 9, ""), starterRise(1, 5, 150)})
	assert.Equal(t, []int{1, 3, 1}, counts)
	require.Equal(t, "mean_dough_c", table[0].Feature.Key)
	assert.Equal(t, []float64{22, 24.2, 24.3}, table[0].Values)
	assert.True(t, table[0].Differs)
	_, none := Judged(nil)
	assert.Empty(t, none)
}
