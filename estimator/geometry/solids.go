package geometry

import "math"

// minBowlAreaL keeps the slope under a bowl's floor above zero, L/mm: the area
// of a disc of 10 mm radius.
const minBowlAreaL = math.Pi * 10 * 10 * litresPerMM3

// Cylinder is a straight-sided round vessel by its inner diameter and height.
func Cylinder(diameterMM, heightMM float64) (*Profile, error) {
	if err := allPositive([]string{"diameter", "height"}, diameterMM, heightMM); err != nil {
		return nil, err
	}
	return round(diameterMM, diameterMM, heightMM), nil
}

// TaperedRound is a frustum of a cone: inner diameter at the floor and at the
// rim, and the height between. It may widen or narrow upwards.
func TaperedRound(floorDiameterMM, rimDiameterMM, heightMM float64) (*Profile, error) {
	names := []string{"floor diameter", "rim diameter", "height"}
	if err := allPositive(names, floorDiameterMM, rimDiameterMM, heightMM); err != nil {
		return nil, err
	}
	return round(floorDiameterMM, rimDiameterMM, heightMM), nil
}

// round builds the frustum.
func round(floorMM, rimMM, heightMM float64) *Profile {
	// A disc of diameter d has pi/4 of the area of a square of side d.
	body := &prismatoid{a0: floorMM, b0: floorMM, a1: rimMM, b1: rimMM, height: heightMM, factor: math.Pi / 4}
	return build(body, heightMM, body.area(0), body.area(heightMM))
}

// TaperedRect is a tub with flat walls: inner length and width at the floor and
// at the rim, and the height between.
func TaperedRect(floorLengthMM, floorWidthMM, rimLengthMM, rimWidthMM, heightMM float64) (*Profile, error) {
	names := []string{"floor length", "floor width", "rim length", "rim width", "height"}
	if err := allPositive(names, floorLengthMM, floorWidthMM, rimLengthMM, rimWidthMM, heightMM); err != nil {
		return nil, err
	}
	body := &prismatoid{a0: floorLengthMM, b0: floorWidthMM, a1: rimLengthMM, b1: rimWidthMM, height: heightMM, factor: 1}
	return build(body, heightMM, body.area(0), body.area(heightMM)), nil
}

// Bowl is a spherical cap: inner diameter of the rim and the depth in the
// middle. A depth of more than half the diameter is a bowl that closes in again.
func Bowl(rimDiameterMM, depthMM float64) (*Profile, error) {
	if err := allPositive([]string{"rim diameter", "depth"}, rimDiameterMM, depthMM); err != nil {
		return nil, err
	}
	rim := rimDiameterMM / 2
	body := &sphereCap{radius: (rim*rim + depthMM*depthMM) / (2 * depthMM)}
	return build(body, depthMM, minBowlAreaL, body.area(depthMM)), nil
}

// prismatoid has two side lengths that each change linearly with height, and a
// factor on their product (pi/4 for an ellipse, 1 for a rectangle).
type prismatoid struct {
	a0, b0, a1, b1, height, factor float64
}

func (p *prismatoid) volume(h float64) float64 {
	da, db := (p.a1-p.a0)/p.height, (p.b1-p.b0)/p.height
	mm3 := p.a0*p.b0*h + (p.a0*db+p.b0*da)*h*h/2 + da*db*h*h*h/3
	return p.factor * mm3 * litresPerMM3
}

func (p *prismatoid) area(h float64) float64 {
	s := h / p.height
	return p.factor * (p.a0 + (p.a1-p.a0)*s) * (p.b0 + (p.b1-p.b0)*s) * litresPerMM3
}

// sphereCap is filled from the lowest point of a sphere.
type sphereCap struct{ radius float64 }

func (c *sphereCap) volume(h float64) float64 {
	return math.Pi * h * h * (3*c.radius - h) / 3 * litresPerMM3
}

func (c *sphereCap) area(h float64) float64 {
	return math.Pi * h * (2*c.radius - h) * litresPerMM3
}
