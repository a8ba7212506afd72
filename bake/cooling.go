package bake

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat"

	"tidemark/estimator"
)

// sliceCoreC is the core at which a loaf is cool enough to slice, about 35 C.
// Source: bakeinfo.co.nz, Science of bread making, Cooling; another trade
// figure is 35 to 40 C (BAKERpedia).
const sliceCoreC = 35.0

// coolRows are how long a loaf cools, dough weight in grams against the usual
// minutes. Rolls 30 to 60 min, pan loaves 1 to 2 h, large crusty loaves 2 to 3 h: a
// cookware maker's guide page (common practice). Which weight is which class is
// this project's choice; between the rows the time goes straight.
func coolRows() [][2]float64 {
	return [][2]float64{{40, 30}, {100, 45}, {500, 90}, {900, 140}, {1500, 175}}
}

// coolDoubt is how far off the usual time of one kitchen may be, as a ratio:
// the width of the classes.
const coolDoubt = 1.3

// inTinCools is how much sooner a pan loaf is cool than a crusty one of its weight.
const inTinCools = 0.75

// Cooling returns how long a loaf of the batch cools before it is sliced, without a probe.
// Loaves rich in rye rest a day or more (bakers' forum, common practice).
func (b Batch) Cooling() Spread {
	if b.ryePercent() >= ryeRichPercent {
		return Spread{12 * 60, 24 * 60, 36 * 60}
	}
	rows, g := coolRows(), b.numbers().PerLoafG
	min := rows[0][1]
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1], rows[i]
		min += (b[1] - a[1]) * math.Min(1, math.Max(0, (g-a[0])/(b[0]-a[0])))
	}
	if b.Ware() == Tin {
		min *= inTinCools
	}
	return Spread{int(min / coolDoubt), int(math.Round(min)), int(min * coolDoubt)}
}

// coolingDoubt is how far off, one standard deviation, the time to go is taken to be: the
// law bends as the crust gives way. From memory.
const coolingDoubt = 0.1

// coolBy returns when the core falls to coreC in a room of roomC, Celsius: its excess over
// the room falls by a constant share an hour, fitted by least squares to the logarithm of
// the readings from the peak on. ok is false where they tell nothing: fewer than five, or
// over less than 15 minutes, not above the room, or falling as no loaf does.
func coolBy(pts []tempPoint, roomC, coreC float64) (w estimator.Window, ok bool) {
	if len(pts) < 5 || pts[len(pts)-1].At.Sub(pts[0].At) < 15*time.Minute || coreC < roomC+1 {
		return w, false
	}
	var hours, excess []float64
	for _, p := range pts {
		if !(p.C > roomC+0.5) {
			return w, false
		}
		hours, excess = append(hours, p.At.Sub(pts[0].At).Hours()), append(excess, math.Log(p.C-roomC))
	}
	start, slope := stat.LinearRegression(hours, excess, nil, false)
	if slope >= 0 || slope < -quickestFall {
		return w, false
	}
	togo := (math.Log(coreC-roomC) - start) / slope
	at := func(h float64) time.Time { return pts[0].At.Add(HoursOf(math.Max(0, h))) }
	return estimator.Window{From: at(togo * (1 - z80*coolingDoubt)), Median: at(togo), Until: at(togo * (1 + z80*coolingDoubt))}, true
}

// pastPeak drops the readings before the core's highest value.
func pastPeak(points []tempPoint) []tempPoint {
	peak := 0
	for i, p := range points {
		if p.C >= points[peak].C {
			peak = i
		}
	}
	return points[peak:]
}

// z80 bounds the central 80 % of a normal distribution.
const z80 = 1.2815515655446004
