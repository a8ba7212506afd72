package bake

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

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
