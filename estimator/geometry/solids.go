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

// TiltErrorMM is how much too long a sensor tilted by tiltDeg reads over a
// level surface at distanceMM, in mm; always 0 or more.
func TiltErrorMM(distanceMM, tiltDeg float64) float64 {
	return distanceMM * (1/math.Cos(tiltDeg*math.Pi/180) - 1)
}

// TiltSDMM is the standard deviation in mm of the tilt error when the sensor
// was levelled by hand with a standard deviation of tiltSDDeg about each of two
// axes. For small angles the error is d*a*a/2 with a*a twice an exponential
// variable, so that mean and standard deviation are both d*s*s, s in radians.
func TiltSDMM(distanceMM, tiltSDDeg float64) float64 {
	s := tiltSDDeg * math.Pi / 180
	return distanceMM * s * s
}

// DomeErrorMM is how much too high the level is read in mm over dough that
// stands domeMM higher in the middle than at the wall, as a paraboloid, by a
// sensor over the middle whose spot has spotRatio (0..1) of the vessel's
// radius. A spot that covers the whole surface makes no error.
func DomeErrorMM(domeMM, spotRatio float64) float64 {
	r := min(max(spotRatio, 0), 1)
	return domeMM / 2 * (1 - r*r)
}

// DomeSDMM is the standard deviation in mm of that error when all that is known
// of the dome is that it lies between 0 and maxDomeMM, all heights alike.
func DomeSDMM(maxDomeMM, spotRatio float64) float64 {
	return DomeErrorMM(maxDomeMM, spotRatio) / math.Sqrt(12)
}
