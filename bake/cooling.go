package bake

import (
	"fmt"
	"math"
	"time"

	"tidemark/estimator"
)

// SliceCoreC is the core at which a loaf is cool enough to slice, about 35 C.
// Source: bakeinfo.co.nz, Science of bread making, Cooling; another trade
// figure is 35 to 40 C (BAKERpedia).
const SliceCoreC = 35.0

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

// CoolingByMass returns how long a loaf of this dough weight cools before it is
// sliced, without a probe.
func CoolingByMass(loafG, ryePercent float64) (Spread, string) {
	if ryePercent >= ryeRichPercent {
		return Spread{12 * 60, 24 * 60, 36 * 60}, "rye-rich loaves rest a day or more (bakers' forum, common practice)"
	}
	rows := coolRows()
	min := rows[0][1]
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1], rows[i]
		min += (b[1] - a[1]) * math.Min(1, math.Max(0, (loafG-a[0])/(b[0]-a[0])))
	}
	return Spread{int(min / coolDoubt), int(math.Round(min)), int(min * coolDoubt)}, "by its weight and common practice; no probe is in the loaf"
}

// CorePoint is one reading of a probe in the loaf.
type CorePoint struct {
	At    time.Time `json:"at"`
	CoreC float64   `json:"core_c"`
}

// LoafCooling is a cooling law fitted to the probe: the excess over the room
// falls by a constant share an hour.
type LoafCooling struct {
	RoomC   float64
	PerHour float64 // 1/h
	StartC  float64 // fitted core at Start
	Start   time.Time
	// standard deviations of the fit, in the logarithm of the excess
	sdIntercept, sdSlope, cov float64
}

// FitLoafCooling fits the law by least squares to the logarithm of the core's
// excess over the room. It needs five points over at least 15 minutes past the
// core's peak, all above the room.
func FitLoafCooling(points []CorePoint, roomC float64) (LoafCooling, error) {
	pts := pastPeak(points)
	if len(pts) < 5 || pts[len(pts)-1].At.Sub(pts[0].At) < 15*time.Minute {
		return LoafCooling{}, fmt.Errorf("five core readings over 15 minutes of falling are needed, found %d", len(pts))
	}
	var n, sx, sy, sxx, sxy float64
	for _, p := range pts {
		if !(p.CoreC > roomC+0.5) {
			return LoafCooling{}, fmt.Errorf("the core must be above the room's %.1f °C, found %.1f °C at %s", roomC, p.CoreC, Stamp(p.At))
		}
		x, y := p.At.Sub(pts[0].At).Hours(), math.Log(p.CoreC-roomC)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	det := n*sxx - sx*sx
	slope := (n*sxy - sx*sy) / det
	icpt := (sy - slope*sx) / n
	if slope >= 0 {
		return LoafCooling{}, fmt.Errorf("the core does not fall: %.1f °C at %s", pts[len(pts)-1].CoreC, Stamp(pts[len(pts)-1].At))
	}
	f := LoafCooling{RoomC: roomC, PerHour: -slope, StartC: roomC + math.Exp(icpt), Start: pts[0].At}
	rss := 0.0
	for _, p := range pts {
		r := math.Log(p.CoreC-roomC) - icpt - slope*p.At.Sub(f.Start).Hours()
		rss += r * r
	}
	s2 := rss/(n-2) + 1e-6
	f.sdIntercept, f.sdSlope, f.cov = math.Sqrt(s2*sxx/det), math.Sqrt(s2*n/det), -s2*sx/det
	return f, nil
}

// pastPeak drops the readings before the core's highest value, and those that
// are no numbers.
func pastPeak(points []CorePoint) []CorePoint {
	var ok []CorePoint
	peak := 0
	for _, p := range points {
		if math.IsNaN(p.CoreC) {
			continue
		}
		ok = append(ok, p)
		if p.CoreC >= ok[peak].CoreC {
			peak = len(ok) - 1
		}
	}
	return ok[min(peak, len(ok)):]
}

// At gives the core in Celsius at t.
func (f LoafCooling) At(t time.Time) float64 {
	return f.RoomC + (f.StartC-f.RoomC)*math.Exp(-f.PerHour*t.Sub(f.Start).Hours())
}

// Forecast gives when the core falls to coreC (SliceCoreC for slicing). It
// returns an error when the room is too warm for that. Besides the fit's own
// doubt the time to go is taken to be wrong by 8 % (one standard deviation,
// from memory): the law bends as the crust gives way.
func (f LoafCooling) Forecast(coreC float64) (estimator.Window, error) {
	if coreC < f.RoomC+1 {
		return estimator.Window{}, fmt.Errorf("a core of %.0f °C is out of reach in a room of %.0f °C", coreC, f.RoomC)
	}
	hours := math.Log((f.StartC-f.RoomC)/(coreC-f.RoomC)) / f.PerHour
	v := f.sdIntercept*f.sdIntercept + hours*hours*f.sdSlope*f.sdSlope + 2*hours*f.cov
	sd := math.Hypot(math.Sqrt(math.Max(v, 0))/f.PerHour, 0.08*hours)
	at := func(h float64) time.Time { return f.Start.Add(hoursOf(math.Max(0, h))) }
	return estimator.Window{From: at(hours - z80*sd), Median: at(hours), Until: at(hours + z80*sd)}, nil
}

// z80 bounds the central 80 % of a normal distribution.
const z80 = 1.2815515655446004

// hoursOf turns hours into a duration of whole seconds.
func hoursOf(h float64) time.Duration { return time.Duration(math.Round(h*3600)) * time.Second }
