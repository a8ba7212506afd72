package bake

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

var learners = flag.Int("learners", 12, "how many invented households learn in TestLearningHelpsInTheFirstHour")

// home is an invented household: its doughs are alike, but not the same.
type home struct {
	rng              *rand.Rand
	shape            kinetics.Sigmoid
	ceiling, mu, lag float64
	resp             float64
}

func newHome(rng *rand.Rand) home {
	z := rng.NormFloat64
	h := home{rng: rng, shape: kinetics.Gompertz(), ceiling: 175 * math.Exp(0.2*z()), mu: 22 * math.Exp(0.35*z()), lag: 0.3 + 0.15*z(), resp: rng.Float64()}
	if rng.IntN(2) == 0 {
		h.shape = kinetics.Richards(0.5)
	}
	return h
}

// rise is one watched rise: a reading every two minutes in a drifting kitchen
// until it is hours old, and when it doubled (+Inf when it did not).
func (h home) rise(hours float64) ([]forecast.Point, float64) {
	z := h.rng.NormFloat64
	ceiling, mu, lag := h.ceiling*math.Exp(0.08*z()), h.mu*math.Exp(0.12*z()), h.lag+0.05*z()
	at := func(x float64) float64 { y, _ := h.shape.Unit(x); return y }
	c, air := 22+2*z(), 22+2*z()
	var pts []forecast.Point
	equiv, doubled := 0.0, math.Inf(1)
	for m := 0; float64(m) <= hours*60; m++ {
		rise := ceiling * (at(mu/ceiling*equiv-lag) - at(-lag))
		if rise >= 100 && math.IsInf(doubled, 1) {
			doubled = float64(m) / 60
		}
		if m%2 == 0 {
			pts = append(pts, forecast.Point{At: time.Duration(m) * time.Minute, VolumeL: 1 + rise/100 + 0.01*z(), SDL: 0.01, DoughC: c})
		}
		g := kinetics.Ganzle(c) / kinetics.Ganzle(24)
		s := kinetics.Cerevisiae().Rate(c) / kinetics.Cerevisiae().Rate(24)
		equiv += (g + h.resp*(s-g)) / 60
		c += (air - c) / 150
	}
	return pts, doubled
}

// after forecasts the doubling from the first part of a record.
func after(p forecast.Prior, pts []forecast.Point, until time.Duration) forecast.Crossing {
	f := forecast.New(p, nil, kinetics.NewResponses())
	for _, q := range pts {
		if q.At > until {
			break
		}
		f.Temper(q.At.Hours(), q.DoughC, math.NaN())
		f.Look(q.At.Hours(), 100*(q.VolumeL-1), 100*q.SDL)
	}
	f.Refit(until.Hours())
	return f.Crossing(100)
}

// score is how forecasts at one hour did.
type score struct {
	off, wide []float64 // minutes
	hit       int
}

func (s *score) add(c forecast.Crossing, doubled float64) {
	if !c.Known {
		s.off, s.wide = append(s.off, 24*60), append(s.wide, 24*60)
		return
	}
	s.off = append(s.off, math.Abs(c.Median-doubled)*60)
	s.wide = append(s.wide, 60*(c.Until-c.From))
	if c.From <= doubled && doubled <= c.Until {
		s.hit++
	}
}

func median(list []float64) float64 {
	l := append([]float64(nil), list...)
	sort.Float64s(l)
	return l[len(l)/2]
}

// After ten rises the forecast made in the first hour is better than without
// history. Run it with -learners 200 -v for the figures.
func TestLearningHelpsInTheFirstHour(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 2026))
	pasts := []int{0, 1, 3, 10}
	scores := make([]score, len(pasts))
	batch := DefaultBatch()
	for range *learners {
		h := newHome(rng)
		var past []Lesson
		for i := range 10 {
			pts, _ := h.rise(9)
			l, ok := LessonOf(Rise{Holds: estimator.Dough, EndedAt: start().AddDate(0, 0, 7*i)}, pts, &batch, nil)
			require.True(t, ok)
			past = append(past, l)
		}
		pts, doubled := h.rise(16)
		if math.IsInf(doubled, 1) {
			continue
		}
		for i, n := range pasts {
			prior := Learn(estimator.Dough, past[:n], &batch)
			scores[i].add(after(prior, pts, time.Hour), doubled)
		}
	}
	t.Logf("%-12s %22s %22s %16s", "past rises", "median error, min", "median 80 % width, min", "within 80 %")
	for i, n := range pasts {
		s := scores[i]
		t.Logf("%-12d %22.0f %22.0f %15.0f%%", n, median(s.off), median(s.wide), 100*float64(s.hit)/float64(len(s.off)))
	}
	assert.Less(t, median(scores[3].off), 0.7*median(scores[0].off), "ten rises help")
	assert.Less(t, median(scores[3].wide), 0.7*median(scores[0].wide))
	assert.Greater(t, float64(scores[3].hit)/float64(len(scores[3].off)), 0.6, "and the interval is not a boast")
}

// A batch with another levain is not taken for the same.
func TestLearnBringsBatchesTogether(t *testing.T) {
	p := forecast.Params{LogCeiling: math.Log(150), LogRate: math.Log(40), Lag: 0.2}
	n := len(forecast.Learned{}.Mean) // the parameters of the forecast's own curve, the rate first
	p.Point, p.PointCov = make([]float64, n), make([][]float64, n)
	for i := range p.PointCov {
		p.PointCov[i] = make([]float64, n)
	}
	batch := func(share float64) *Batch { // a fifth whole grain, 2 % salt: what the published times are of
		levain := 1000 * share / (1 - share)
		return &Batch{Flours: []Flour{{Name: "wheat", Grams: 800}, {Name: "wheat", Grams: 200, Whole: true}}, WaterG: 700,
			Levain: Levain{Grams: 2 * levain, HydrationPercent: 100}, SaltG: 0.02 * (1000 + levain)}
	}
	past := slices.Repeat([]Lesson{{Params: p, Batch: batch(0.2)}}, 12)
	same, less := Learn(estimator.Dough, past, batch(0.2)), Learn(estimator.Dough, past, batch(0.05))
	base := forecast.DefaultPrior("dough")
	assert.InDelta(t, math.Log(40), same.LogRate.Mean, 0.05)
	assert.InDelta(t, base.Inoculated(0.05).LogRate.Mean-base.Inoculated(0.2).LogRate.Mean, less.LogRate.Mean-same.LogRate.Mean, 0.03)
	assert.Less(t, same.LogRate.SD, base.LogRate.SD)
	moved := base.Inoculated(0.05).LogRate.Mean - base.Inoculated(0.2).LogRate.Mean
	assert.InDelta(t, moved, less.Learned.Mean[0]-same.Learned.Mean[0], 1e-9, "the curve's own rate moves with the levain")
	assert.Equal(t, same.Learned.Mean[1], less.Learned.Mean[1], "and what is no rate stays")
	assert.Zero(t, p.Point[0], "what was stored stays as it was")
	none := Learn(estimator.Dough, nil, batch(0.1))
	assert.InDelta(t, math.Log(29.3)+base.Inoculated(0.1).LogRate.Mean-base.LogRate.Mean, none.LogRate.Mean, 1e-9, "the vetted bulk times")
	assert.Equal(t, none.LogRate.Mean, batch(0.3).Prior(0.1).LogRate.Mean, "or with another share of it fermented")
	assert.Equal(t, published(estimator.Dough).Learn(nil), Learn(estimator.Dough, nil, &Batch{}), "a batch that is not known")
	_, ok := LessonOf(Rise{Holds: estimator.Dough}, nil, nil, nil)
	assert.False(t, ok)
}
