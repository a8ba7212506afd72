package bake

import (
	"math"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

// One account of a dough's work: the rise, as if it were left alone, that it has done
// when it goes into the oven, whichever way it went: bulk, shaping and final proof, or
// bulk, shaping and what the cold still allows.
//
// It is worked out from the published rises at the end of the bulk before a cold
// retard (T. Cucuzza, January 2023): each row, plus 40 minutes of shaping, plus what
// the published cooling curve still allows, comes to 128, 121, 115 and 110 % at 18.3,
// 21.1, 23.9 and 26.7 C with a dough that keeps the published bulk times (computed;
// see the tests of the planner): a warm dough stands less. A dough baked the same day
// then ends its bulk at 60 to 80 %, as is common practice. Rye falls early: it rises 30
// to 50 % twice.
const (
	totalPercent    = 119.0 // at 22 C
	totalPerC       = 2.15
	ryeTotalPercent = 90.0
)

// Total returns the work of this dough up to the oven, percent, at its temperature in
// Celsius; 0 and NaN count as 22.
func (b Batch) Total(doughC float64) float64 {
	switch {
	case b.Kind() == Rye:
		return ryeTotalPercent
	case doughC == 0 || math.IsNaN(doughC):
		return totalPercent
	}
	return totalPercent - totalPerC*(math.Min(30, math.Max(16, doughC))-22)
}

// Stands returns the rise in percent beyond which no bulk of this dough is
// planned: a lean one at its double, a rye one at half as much again. Common
// practice, no source.
func (b Batch) Stands() float64 {
	if b.Kind() == Rye {
		return 50
	}
	return 100
}

// A bake is right when what the dough has done is from LowShare to HighShare of what was
// wanted, of its bulk and of all its work until the oven. A bulk up to StandsShare of what
// the dough stands is never too long by itself. These bounds are this project's choice.
//
// It is said before that bound, from overShare on: a dough that stops between the two
// would go unnoticed, and the level is known to a few percent only.
const (
	LowShare    = 0.80
	HighShare   = 1.25
	overShare   = 1.15
	StandsShare = 1.1
)

// limits returns the rise in percent from which a dough with this target and
// temperature in Celsius is over, because what is still to come of its work until the
// oven would bring it beyond what is right; and the most it may come to in the cold. A
// final proof counts its rise from zero, and so has one limit for both.
func (b Batch) limits(targetPercent, doughC float64, proof bool) (over, cold float64) {
	total := b.Total(doughC)
	over = targetPercent + (overShare-1)*total
	if proof {
		return over, over
	}
	over = min(over, max(overShare*targetPercent, StandsShare*b.Stands()))
	return over, HighShare * max(total, targetPercent)
}

// The middle dough: a rise to 50 % at 25 C in 5 to 6 h with 20 % starter, to 60 % at
// 23 C in 6 to 7 h, to 75 % at 21 C in 9 to 11 h, to 30 % at 27 C in 4.5 to 5 h (a
// baker's video description, common practice). Fitted: every row within a quarter.
const (
	middleCeiling = 175.0 // percent
	middleRate    = 29.3  // percent per hour at 24 C, with 20 % of the flour fermented
	middleLag     = 0.45
)

// How the flour and the rest of the recipe change the rate. White-flour doughs
// take about 20 % longer than whole-grain ones (bwraith, Sourdough Rise Time
// Table); butter and sugar slow a dough by about a quarter, one rich in rye is
// quicker and rises less: common practice, no source.
const (
	wholeFaster = 1.2
	richSlower  = 0.75
	ryeCeiling  = 0.75 // of the ceiling
)

// published is what is believed of a rise when the household's past says nothing.
func published(holds estimator.Holds) forecast.Prior {
	p := forecast.DefaultPrior(string(holds))
	if holds == estimator.Dough {
		p.LogCeiling.Mean, p.LogRate.Mean, p.Lag.Mean = math.Log(middleCeiling), math.Log(middleRate), middleLag
	}
	return p
}

// pace is how the recipe shifts the logarithms of rate and ceiling, beside levain
// and salt.
func (b Batch) pace() (rate, ceiling float64) {
	// The published times are of common doughs: a fifth whole grain.
	rate = math.Log(wholeFaster) * (b.Numbers().WholePercent/100 - 0.2)
	switch b.Kind() {
	case Rich:
		rate += math.Log(richSlower)
	case Rye:
		ceiling = math.Log(ryeCeiling)
	}
	return rate, ceiling
}

// usualMarkPercent is where a bulk ends that nobody gave a mark of its own.
const usualMarkPercent = 75

// usualDoubt is the width of a usual time: between one baker's table and another's
// lies a factor of two (common practice).
const usualDoubt = 1.42

// usualHours returns the equivalent hours in which the middle dough of the batch rises by
// so much; what never gets there is told as two days.
func (b Batch) usualHours(risePercent float64) float64 {
	p := b.Prior(0)
	ceiling, rate := math.Exp(p.LogCeiling.Mean), math.Exp(p.LogRate.Mean)
	shape := kinetics.Richards(0.5)
	start := shape.Unit(-p.Lag.Mean)
	return math.Min(48, math.Max(0.2, ceiling/rate*(p.Lag.Mean+shape.UnitInverse(risePercent/ceiling+start))))
}

// usualBulk is how long a bulk to a rise takes at 24 C.
func (b Batch) usualBulk(risePercent float64) Spread {
	mid := 60 * b.usualHours(risePercent)
	return Spread{LowMin: int(mid / usualDoubt), MidMin: int(math.Round(mid)), HighMin: int(mid * usualDoubt)}
}

// ProofTargetPercent is the target of a basket or sample jar that is given none: a
// shaped dough is ready for the oven when it has risen by 40 to 50 %, not doubled.
// Common practice, no source.
const ProofTargetPercent = 45.0

// usualProof is a final proof at 24 C. Common practice, no source.
func usualProof() Spread { return Spread{LowMin: 60, MidMin: 100, HighMin: 160} }
