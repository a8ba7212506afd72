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

// Unit returns the shape freed of its scales, and its slope: y/A at
// x = (mu/A)(t - lag). The steepest slope is 1 and the tangent there passes
// through zero at x = 0.
func (s Sigmoid) Unit(x float64) (y, slope float64) {
	if s.Nu == 0 {
		q := math.Exp(1 - math.E*x)
		y = math.Exp(-q)
		return y, slopeGompertz(y, q)
	}
	c := s.steepness()
	q := s.Nu * math.Exp(1+s.Nu-c*x)
	if math.IsInf(q, 1) {
		return 0, 0
	}
	y = math.Pow(1+q, -1/s.Nu)
	return y, c / s.Nu * y * q / (1 + q)
}

func slopeGompertz(y, q float64) float64 {
	if y == 0 {
		return 0
	}
	return math.E * y * q
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

// Rise returns the curve at t: ceiling and the result in percent, mu the
// steepest slope in percent per hour, lag and t in hours.
func (s Sigmoid) Rise(ceiling, mu, lag, t float64) float64 {
	y, _ := s.Unit(mu / ceiling * (t - lag))
	return ceiling * y
}
