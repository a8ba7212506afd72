package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
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
	Median(slopes)
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
	at := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC).Add(time.Duration(week * 7 * 24 * float64(time.Hour)))
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
	falling.StartedAt, falling.Phase = time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC).Add(12*7*24*time.Hour), estimator.Falling
	falling.PeakEquivHours, falling.PeakPercent = 7.4, 150
	v := VigourTrendOf(append(rises, early, dough, unknown, underWay, falling))
	require.Len(t, v.Feeds, 13, "only feedings watched past the peak count")
	assert.True(t, v.Feeds[0].StartedAt.Before(v.Feeds[1].StartedAt))
	assert.InDelta(t, 0.2, v.ToPeak.PerWeek, 0.03)
	assert.True(t, v.ToPeak.Clear)
	assert.False(t, v.Peak.Clear, "a level that only wobbles has no trend")
	assert.InDelta(t, 150, v.Peak.Middle, 4)
	assert.Zero(t, VigourTrendOf(nil).ToPeak.N)
}

func TestPastFeedsKnowLateAndCold(t *testing.T) {
	a, b, c := starterRise(0, 4, 140), starterRise(10./7, 5, 120), starterRise(19./7, 4, 90)
	a.ID, b.ID, c.ID, a.MeanDoughC, b.MeanDoughC = 1, 2, 3, 24, 0
	b.EndedAt = b.PeakAt // used at its peak: that is not sure
	c.EndedAt = time.Time{}
	got := PastFeeds([]Rise{a, b, c}, map[int64]time.Time{1: a.StartedAt.AddDate(0, 0, 1)})
	require.Len(t, got, 2, "the one under way is not past")
	assert.Equal(t, 6.0, got[0].PeakHours)
	assert.InDelta(t, 10*24-6, got[0].LateHours, 1e-6)
	assert.Zero(t, got[0].ColdDays)
	assert.True(t, math.IsNaN(got[1].PeakHours))
	assert.True(t, math.IsNaN(got[1].MeanC))
	assert.InDelta(t, 9, got[1].ColdDays, 1e-6)
	at := a.StartedAt
	told := []Event{{Kind: EventFridge, At: at}, {Kind: EventCounter, At: at.Add(time.Hour)}, {Kind: EventFridge, At: at.Add(2 * time.Hour)}}
	assert.Equal(t, at.Add(2*time.Hour), ColdSince(told))
	told[2].UndoneAt = at
	assert.Zero(t, ColdSince(told))
}

// TestThePlannedDoughAgainstTheProbe: what is learnt of the mixing, and when nothing is.
func TestThePlannedDoughAgainstTheProbe(t *testing.T) {
	planned := NewProcess(DefaultBatch(), time.Time{}, 22)
	planned.Edit(MixID, func(d *StepDef) { d.Values = Values{"dough_c": 24.0} })
	unplanned := NewProcess(DefaultBatch(), time.Time{}, 22)
	at := func(after time.Duration, c float64) []forecast.Point { return []forecast.Point{{At: after, DoughC: c}} }
	require.NotNil(t, warmerThan(&planned, at(time.Minute, 25.5)))
	assert.InDelta(t, 1.5, *warmerThan(&planned, at(time.Minute, 25.5)), 1e-9)
	for what, got := range map[string]*float64{
		"no process": warmerThan(nil, at(0, 25)), "not planned": warmerThan(&unplanned, at(0, 25)), "no probe": warmerThan(&planned, at(0, math.NaN())),
		"seen too late": warmerThan(&planned, at(time.Hour, 25)), "no reading": warmerThan(&planned, nil),
	} {
		assert.Nil(t, got, what)
	}
}
