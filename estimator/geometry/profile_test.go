package geometry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func must(t testing.TB, p *Profile, err error) *Profile {
	t.Helper()
	require.NoError(t, err)
	return p
}

func TestKnownVolumes(t *testing.T) {
	// A litre is a cube of 100 mm; a cylinder of 100 mm diameter and height
	// holds pi/4 of it; a hemisphere of 100 mm radius 2/3 pi litres; a frustum
	// by h/3*pi*(R^2+Rr+r^2): mensuration formulas.
	cube, err := TaperedRect(100, 100, 100, 100, 100)
	assert.InDelta(t, 1, must(t, cube, err).Volume(cube.TopMM()), 1e-12)
	cylinder, err := Cylinder(100, 100)
	assert.InDelta(t, math.Pi/4, must(t, cylinder, err).Volume(cylinder.TopMM()), 1e-12)
	bowl, err := Bowl(200, 100)
	assert.InDelta(t, 2*math.Pi/3, must(t, bowl, err).Volume(bowl.TopMM()), 1e-12)
	frustum, err := TaperedRound(120, 160, 150)
	assert.InDelta(t, 150.0/3*math.Pi*(80*80+80*60+60*60)*1e-6, must(t, frustum, err).Volume(frustum.TopMM()), 1e-12)
	pyramid, err := TaperedRect(100, 60, 200, 120, 90)
	assert.InDelta(t, 90.0/3*(100*60+200*120+math.Sqrt(100*60*200*120))*1e-6, must(t, pyramid, err).Volume(pyramid.TopMM()), 1e-12,
		"similar end faces: h/3*(A+B+sqrt(AB))")
}

// Worked figures for a tub of 60 mm radius at the floor and 75 mm at 150 mm:
// from 50 mm (613.9 mL) the volume doubles at 93.303 mm, from 60 mm (748.7 mL)
// at 110.714 mm, and a doubled height is 116.6 % more volume (computed
// independently from the frustum formula).
func TestWorkedTub(t *testing.T) {
	p, err := TaperedRound(120, 150, 150)
	must(t, p, err)
	assert.InDelta(t, 0.6139, p.Volume(50), 5e-5)
	assert.InDelta(t, 93.303, p.Height(2*p.Volume(50)), 5e-4)
	assert.InDelta(t, 72.349, p.Height(1.5*p.Volume(50)), 5e-4)
	assert.InDelta(t, 0.7487, p.Volume(60), 5e-5)
	assert.InDelta(t, 110.714, p.Height(2*p.Volume(60)), 5e-4)
	assert.InDelta(t, 116.6, 100*(p.Volume(100)/p.Volume(50)-1), 0.05)
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		points []Point
		want   string
	}{
		"none":         {nil, "profile: at least two points [height mm, volume L] are needed, found 0; give the floor and the rim"},
		"one":          {[]Point{{0, 0}}, "profile: at least two points [height mm, volume L] are needed, found 1; give the floor and the rim"},
		"nan":          {[]Point{{0, 0}, {math.NaN(), 1}}, "profile: point 2 must be two numbers, found [NaN, 1]"},
		"infinite":     {[]Point{{0, 0}, {1, math.Inf(1)}}, "profile: point 2 must be two numbers, found [1, +Inf]"},
		"no floor":     {[]Point{{10, 0.1}, {50, 1}}, "profile: the first point must be the floor at height 0 mm, found 10 mm; begin with [0, 0]"},
		"negative":     {[]Point{{0, -1}, {50, 1}}, "profile: volumes must not be negative, found -1 L at the floor"},
		"height falls": {[]Point{{0, 0}, {50, 1}, {40, 2}}, "profile: heights must increase: point 3 is 40 mm after 50 mm"},
		"height same":  {[]Point{{0, 0}, {50, 1}, {50, 2}}, "profile: heights must increase: point 3 is 50 mm after 50 mm"},
		"volume falls": {[]Point{{0, 0}, {50, 1}, {60, 0.9}}, "profile: volumes must increase: point 3 is 0.9 L after 1 L"},
		"too close":    {[]Point{{0, 0}, {50, 1}, {60, 1.0000000000001}}, "profile: points 2 and 3 are too close in volume to tell apart: 1 L and 1.0000000000001 L"},
	} {
		_, err := FromPoints(c.points)
		assert.EqualError(t, err, c.want, name)
	}
	_, err := Cylinder(0, -3)
	assert.EqualError(t, err, "profile: diameter must be more than 0 mm, found 0\nprofile: height must be more than 0 mm, found -3")
	_, err = TaperedRound(10, math.NaN(), 10)
	assert.EqualError(t, err, "profile: rim diameter must be more than 0 mm, found NaN")
	_, err = TaperedRect(10, 10, 10, 10, 6000)
	assert.EqualError(t, err, "profile: height must be given in millimetres and under 5000, found 6000")
	_, err = Bowl(math.Inf(1), 10)
	assert.EqualError(t, err, "profile: rim diameter must be more than 0 mm, found +Inf")
}

// anyProfile draws one of all kinds.
func anyProfile(t *rapid.T) *Profile {
	length := rapid.Float64Range(20, 500)
	var p *Profile
	var err error
	switch rapid.IntRange(0, 4).Draw(t, "kind") {
	case 0:
		p, err = Cylinder(length.Draw(t, "d"), length.Draw(t, "h"))
	case 1:
		p, err = TaperedRound(length.Draw(t, "d0"), length.Draw(t, "d1"), length.Draw(t, "h"))
	case 2:
		p, err = TaperedRect(length.Draw(t, "a0"), length.Draw(t, "b0"), length.Draw(t, "a1"), length.Draw(t, "b1"), length.Draw(t, "h"))
	case 3:
		p, err = Bowl(length.Draw(t, "d"), length.Draw(t, "h"))
	default:
		step := rapid.Float64Range(1, 60)
		rise := rapid.Float64Range(0.01, 2)
		points := []Point{{}}
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			last := points[len(points)-1]
			points = append(points, Point{last.HeightMM + step.Draw(t, "step"), last.VolumeL + rise.Draw(t, "rise")})
		}
		p, err = FromPoints(points)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Every profile grows with the height, without a jump at floor and rim, has its inverse
// and its derivative.
func TestProfileProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		anywhere := rapid.Float64Range(-20, 1.5*p.TopMM())
		a, b := anywhere.Draw(t, "a"), anywhere.Draw(t, "b")
		v := p.Volume(a)
		if math.Abs(a-b) >= 0.01 && (v < p.Volume(b)) != (a < b) {
			t.Fatalf("volume(%g) = %g, volume(%g) = %g", a, v, b, p.Volume(b))
		}
		if back := p.Volume(p.Height(v)); math.Abs(back-v) > 1e-9*(1+math.Abs(v)) {
			t.Fatalf("volume(height(%g)) = %g", v, back)
		}
		if got := p.Height(v); math.Abs(got-a) > 1e-3 && p.Area(a) > 1e-4 {
			t.Fatalf("height(volume(%g)) = %g", a, got)
		}
		h := rapid.Float64Range(0.01, 0.99).Draw(t, "share") * p.TopMM()
		const d = 1e-3
		slope := (p.Volume(h+d) - p.Volume(h-d)) / (2 * d)
		// At a knot the second derivative jumps: a wider tolerance for points.
		if math.Abs(slope-p.Area(h)) > 2e-3*(slope+1e-4) {
			t.Fatalf("at %g: slope %g, area %g", h, slope, p.Area(h))
		}
		for _, h := range []float64{0, p.TopMM()} {
			if jump := p.Volume(h+1e-9) - p.Volume(h-1e-9); math.Abs(jump) > 1e-8 {
				t.Fatalf("jump of %g L at %g mm", jump, h)
			}
		}
	})
}

// Straight lines stay straight under the interpolation.
func TestLinearPointsStayLinear(t *testing.T) {
	p, err := FromPoints([]Point{{0, 0}, {30, 0.3}, {50, 0.5}, {120, 1.2}})
	must(t, p, err)
	for h := -10.0; h < 150; h += 3.3 {
		assert.InDelta(t, h/100, p.Volume(h), 1e-12)
		assert.InDelta(t, 0.01, p.Area(h), 1e-12)
	}
}

func TestNoAllocation(t *testing.T) {
	p, err := FromPoints([]Point{{0, 0}, {50, 1}, {100, 2.2}, {150, 3.6}})
	must(t, p, err)
	var sink float64
	assert.Zero(t, testing.AllocsPerRun(100, func() { sink += p.Volume(77) + p.Area(77) + p.Height(1.7) }))
	assert.Positive(t, sink)
}

func BenchmarkHeight(b *testing.B) {
	p, err := FromPoints([]Point{{0, 0}, {50, 1}, {100, 2.2}, {150, 3.6}})
	if err != nil {
		b.Fatal(err)
	}
	for i := range b.N {
		p.Height(0.3 + float64(i%300)/100)
	}
}

// The slopes by hand from the formulas of Fritsch and Butland (1984): inside the
// weighted harmonic mean of the neighbours, at the ends the three-point formula.
func TestSlopesByHand(t *testing.T) {
	p, err := FromPoints([]Point{{0, 0}, {50, 1.0}, {100, 2.2}, {150, 3.6}})
	must(t, p, err)
	assert.InDelta(t, (3*0.020-0.024)/2, p.Area(0), 1e-12)
	assert.InDelta(t, 2*0.020*0.024/(0.020+0.024), p.Area(50), 1e-12)
	assert.InDelta(t, 2*0.024*0.028/(0.024+0.028), p.Area(100), 1e-12)
	assert.InDelta(t, (3*0.028-0.024)/2, p.Area(150), 1e-12)
	// The cubic of Hermite in the middle: mean of the ends plus an eighth of the
	// step times the difference of the slopes.
	assert.InDelta(t, (1.0+2.2)/2+50.0/8*(p.Area(50)-p.Area(100)), p.Volume(75), 1e-12)
}
