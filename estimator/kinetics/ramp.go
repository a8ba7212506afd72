package kinetics

import "math"

// Top says how a [Ramp] ends.
type Top uint8

// The ends, from the gentlest to the sharpest.
const (
	Leak  Top = iota // speed falls with the rise itself: gas leaks in proportion
	Bent             // speed falls with its square
	Sharp            // full speed till the sugar ends
)

// topKnee is the share of the ceiling over which a Sharp top bends.
const topKnee = 0.08

// Ramp is a rise that wakes up, runs at one speed, and ends: speed is the
// product of a waking (logistic in time, over Wake) and of what the rise so far
// leaves of the full speed. It stands beside the [Sigmoid] curves because dough
// with much yeast in it hardly multiplies its yeast: the rise is straight, not
// self-feeding. The shapes are our own; no source gives them for dough.
type Ramp struct {
	Wake float64 // width of the waking as a share of ceiling/mu, above 0
	Top  Top
}

// Unit is as [Sigmoid.Unit].
func (r Ramp) Unit(x float64) (y, slope float64) {
	l, awake := softplus(x / r.Wake)
	l *= r.Wake
	switch r.Top {
	case Leak:
		left := math.Exp(-l)
		return 1 - left, left * awake
	case Bent:
		y = 1 - 2/(1+math.Exp(2*l))
		return y, (1 - y*y) * awake
	}
	left, going := softplus((1 - l) / topKnee)
	return 1 - topKnee*left, going * awake
}

// UnitInverse is as [Sigmoid.UnitInverse].
func (r Ramp) UnitInverse(y float64) float64 {
	if y >= 1 {
		return math.Inf(1)
	}
	var l float64
	switch r.Top {
	case Leak:
		l = -math.Log1p(-y)
	case Bent:
		l = math.Atanh(max(y, -1))
	default:
		l = 1 - topKnee*invSoftplus((1-y)/topKnee)
	}
	if !(l > 0) {
		return math.Inf(-1)
	}
	return r.Wake * invSoftplus(l/r.Wake)
}

// softplus returns ln(1+exp(x)) and its derivative.
func softplus(x float64) (y, slope float64) {
	if x > 35 {
		return x, 1
	}
	if x < -40 {
		return 0, 0
	}
	e := math.Exp(x)
	return math.Log1p(e), e / (1 + e)
}

func invSoftplus(y float64) float64 {
	if y > 35 {
		return y
	}
	return math.Log(math.Expm1(y))
}

// Shape is a curve of growth freed of its scales.
type Shape interface {
	// Unit returns the curve, 0 to 1, and its slope at x = (mu/A)(t - lag).
	Unit(x float64) (y, slope float64)
	// UnitInverse returns the x of a height; infinite outside 0 to 1.
	UnitInverse(y float64) float64
}
