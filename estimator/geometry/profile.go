package geometry

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// litresPerMM3 converts cubic millimetres to litres.
const litresPerMM3 = 1e-6

// Point is one measured pair of a profile: pour in a known volume, read the
// height.
type Point struct {
	HeightMM float64
	VolumeL  float64
}

// solid is a body between its floor (height 0) and its top.
type solid interface {
	volume(heightMM float64) float64 // litres
	area(heightMM float64) float64   // litres per millimetre
}

// Profile is the inner shape of a vessel. It never changes after it is built
// and may be used from several goroutines.
type Profile struct {
	body      solid
	topMM     float64
	capacityL float64
	floorL    float64 // volume at height 0: 0 but for profiles measured otherwise
	belowArea float64 // slope under the floor, L/mm
	aboveArea float64 // slope above the top, L/mm
}

// build closes a profile over a body.
func build(body solid, topMM, belowArea, aboveArea float64) *Profile {
	return &Profile{
		body: body, topMM: topMM, capacityL: body.volume(topMM), floorL: body.volume(0),
		belowArea: belowArea, aboveArea: aboveArea,
	}
}

// FromPoints builds a profile from measured points, heights in mm above the
// floor and volumes in litres, both strictly increasing, the first at height 0.
// At least two points are needed. Above the last point and below the first the
// profile goes on straight with the mean slope of the last and the first
// interval.
func FromPoints(points []Point) (*Profile, error) {
	if err := checkPoints(points); err != nil {
		return nil, err
	}
	heights, volumes := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		heights[i], volumes[i] = p.HeightMM, p.VolumeL
	}
	var curve interp.FritschButland
	if err := curve.Fit(heights, volumes); err != nil {
		return nil, fmt.Errorf("profile: the points cannot be joined: %w", err)
	}
	n := len(points)
	return build(&curved{&curve}, heights[n-1], slope(points[0], points[1]), slope(points[n-2], points[n-1])), nil
}

// slope is the mean dV/dh between two points, L/mm.
func slope(a, b Point) float64 { return (b.VolumeL - a.VolumeL) / (b.HeightMM - a.HeightMM) }

// checkPoints refuses what is not a profile.
func checkPoints(points []Point) error {
	if len(points) < 2 {
		return fmt.Errorf("profile: at least two points [height mm, volume L] are needed, found %d; give the floor and the rim", len(points))
	}
	for i, p := range points {
		if !finite(p.HeightMM) || !finite(p.VolumeL) {
			return fmt.Errorf("profile: point %d must be two numbers, found [%g, %g]", i+1, p.HeightMM, p.VolumeL)
		}
	}
	if points[0].HeightMM != 0 {
		return fmt.Errorf("profile: the first point must be the floor at height 0 mm, found %g mm; begin with [0, 0]", points[0].HeightMM)
	}
	if points[0].VolumeL < 0 {
		return fmt.Errorf("profile: volumes must not be negative, found %g L at the floor", points[0].VolumeL)
	}
	return checkIncreasing(points)
}

// checkIncreasing refuses points that do not go up in both numbers.
func checkIncreasing(points []Point) error {
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		if b.HeightMM <= a.HeightMM {
			return fmt.Errorf("profile: heights must increase: point %d is %g mm after %g mm", i+1, b.HeightMM, a.HeightMM)
		}
		if b.VolumeL <= a.VolumeL {
			return fmt.Errorf("profile: volumes must increase: point %d is %g L after %g L", i+1, b.VolumeL, a.VolumeL)
		}
		if s := slope(a, b); !finite(s) || s < 1e-9 {
			return fmt.Errorf("profile: points %d and %d are too close in volume to tell apart: %g L and %g L", i, i+1, a.VolumeL, b.VolumeL)
		}
	}
	return nil
}

// TopMM is the height of the highest known level, mm.
func (p *Profile) TopMM() float64 { return p.topMM }

// Volume is the volume in litres under a level surface at the height.
func (p *Profile) Volume(heightMM float64) float64 {
	switch {
	case heightMM > p.topMM:
		return p.capacityL + p.aboveArea*(heightMM-p.topMM)
	case heightMM < 0:
		return p.floorL + p.belowArea*heightMM
	default:
		return p.body.volume(heightMM)
	}
}

// Area is the derivative dV/dh in litres per millimetre at the height: the
// area of the surface. It carries a height's error over to a volume's.
func (p *Profile) Area(heightMM float64) float64 {
	switch {
	case heightMM > p.topMM:
		return p.aboveArea
	case heightMM < 0:
		return p.belowArea
	default:
		return p.body.area(heightMM)
	}
}

// Height is the inverse of Volume, mm. It is exact to about a nanometre.
func (p *Profile) Height(volumeL float64) float64 {
	switch {
	case math.IsNaN(volumeL):
		return math.NaN()
	case volumeL >= p.capacityL:
		return p.topMM + (volumeL-p.capacityL)/p.aboveArea
	case volumeL <= p.floorL:
		return (volumeL - p.floorL) / p.belowArea
	}
	lo, hi := 0.0, p.topMM
	h := p.topMM * (volumeL - p.floorL) / (p.capacityL - p.floorL)
	for range 100 {
		miss := p.body.volume(h) - volumeL
		if miss > 0 {
			hi = h
		} else {
			lo = h
		}
		next := h - miss/p.body.area(h) // Newton, kept inside the bracket
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-h) < 1e-11 {
			return next
		}
		h = next
	}
	return h
}

// curved is a body given by points.
type curved struct{ curve *interp.FritschButland }

func (c *curved) volume(h float64) float64 { return c.curve.Predict(h) }
func (c *curved) area(h float64) float64   { return c.curve.PredictDerivative(h) }

// finite reports whether x is an ordinary number.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// positive refuses measures that are not ordinary positive lengths.
func positive(what string, mm float64) error {
	if !finite(mm) || mm <= 0 {
		return fmt.Errorf("profile: %s must be more than 0 mm, found %g", what, mm)
	}
	if mm > 5000 {
		return fmt.Errorf("profile: %s must be given in millimetres and under 5000, found %g", what, mm)
	}
	return nil
}

// allPositive joins the errors of several measures: names and values in turn.
func allPositive(names []string, values ...float64) error {
	var errs []error
	for i, v := range values {
		errs = append(errs, positive(names[i], v))
	}
	return errors.Join(errs...)
}
