package kinetics

import "math"

// Sigmoid is a shape of growth: Zwietering's Richards form with this nu, where 1
// is the logistic and 0 the modified Gompertz. The zero value is the Gompertz.
type Sigmoid struct {
	Nu float64 // 0 or more
}

// Gompertz is the modified Gompertz curve, nu = 0.
func Gompertz() Sigmoid { return Sigmoid{0} }

// Richards is the member with this nu.
func Richards(nu float64) Sigmoid { return Sigmoid{nu} }

// Unit returns the shape freed of its scales: y/A at x = (mu/A)(t - lag). The steepest
// slope is 1 and the tangent there passes through zero at x = 0.
func (s Sigmoid) Unit(x float64) float64 {
	if s.Nu == 0 {
		return math.Exp(-math.Exp(1 - math.E*x))
	}
	return math.Pow(1+s.Nu*math.Exp(1+s.Nu-s.steepness()*x), -1/s.Nu)
}

// steepness is what makes the steepest slope 1.
func (s Sigmoid) steepness() float64 { return math.Pow(1+s.Nu, 1+1/s.Nu) }

// UnitInverse returns the x at which the unit shape is y, for 0 < y < 1;
// minus infinity at or below 0 and plus infinity at or above 1.
func (s Sigmoid) UnitInverse(y float64) float64 {
	switch {
	case y <= 0:
		return math.Inf(-1)
	case y >= 1:
		return math.Inf(1)
	case s.Nu == 0:
		return (1 - math.Log(-math.Log(y))) / math.E
	}
	return (1 + s.Nu - math.Log((math.Pow(y, -s.Nu)-1)/s.Nu)) / s.steepness()
}
