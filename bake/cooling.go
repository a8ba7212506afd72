package bake

import (
	"fmt"
	"math"
	"time"

	"tidemark/estimator"
)

// Core temperatures of a done loaf in Celsius. Sources: lean crusty 93 to 98 C
// (200 to 208 F) and rich dough 85 to 91 C (185 to 195 F), A. Cohn, bread-bakers
// list, 2008.
const (
	leanLowC, leanHighC = 93.0, 98.0
	richLowC, richHighC = 85.0, 91.0
)

// SliceCoreC is the core at which a loaf is cool enough to slice, about 35 C.
// Source: bakeinfo.co.nz, Science of bread making, Cooling; another trade
// figure is 35 to 40 C (BAKERpedia).
const SliceCoreC = 35.0

// DoneCore gives the core range of a done loaf at an altitude in metres. Water
// boils about 1 C lower per 300 m (from memory), and no crumb gets hotter.
func DoneCore(rich bool, altitudeM float64) (lowC, highC float64) {
	lowC, highC = leanLowC, leanHighC
	if rich {
		lowC, highC = richLowC, richHighC
	}
	boil := 100 - math.Max(0, altitudeM)/300
	return math.Min(lowC, boil-3), math.Min(highC, boil-1)
}

// ryeRichPercent is the share of rye from which a loaf rests longer than it
// cools (common practice).
const ryeRichPercent = 60

// CoolingByMass gives how long a loaf of this dough weight cools before it is
// sliced, without a probe: rolls 30 to 60 min, pan loaves 1 to 2 h, large
// crusty loaves 2 to 3 h. Source: a cookware maker's guide page (common
// practice). The weights between the classes are this project's choice.
func CoolingByMass(loafG, ryePercent float64) (Spread, string) {
	said := "by its weight and common practice; no probe is in the loaf"
	switch {
	case ryePercent >= ryeRichPercent:
		return Spread{12 * 60, 24 * 60, 36 * 60}, "rye-rich loaves rest a day or more (bakers' forum, common practice)"
	case loafG < 250:
		return Spread{30, 45, 60}, said
	case loafG < 750:
		return Spread{60, 90, 120}, said
	}
	return Spread{120, 150, 180}, said
}

// CoolStep is the cooling of a batch's loaves as a step.
func CoolStep(b Batch) StepDef {
	u, why := CoolingByMass(b.numbers().PerLoafG, b.ryePercent())
	return StepDef{ID: CoolID, Name: "cool", Trigger: ByClock, TakesMin: u.MidMin, Usual: u,
		Do: "Set the loaf on a rack. How long: " + why + ".", Caution: cautionLoaf}
}

// ryePercent is the share of rye in the flour added at mixing.
func (b Batch) ryePercent() float64 {
	rye, all := 0.0, 0.0
	for _, f := range b.Flours {
		all += f.Grams
		if containsAny(lower(f.Name), []string{"rye"}) {
			rye += f.Grams
		}
	}
	return 100 * rye / math.Max(all, 1)
}

// richPercent is the share of fat, egg, milk and sugar from which a dough
// counts as rich here, percent of the flour. The border is this project's
// choice.
const richPercent = 10

// Rich reports whether the dough is a rich one by its ingredients' names, so
// that its loaf is done at a lower core.
func (b Batch) Rich() bool {
	sum := 0.0
	for _, in := range b.Inclusions {
		if containsAny(lower(in.Name), []string{"butter", "margarine", "oil", "egg", "milk", "cream", "sugar", "honey", "syrup"}) {
			sum += in.Grams
		}
	}
	return 100*sum >= richPercent*b.numbers().FlourG
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
			return LoafCooling{}, fmt.Errorf("the core must be above the room's %.1f C, found %.1f C at %s", roomC, p.CoreC, p.At.Format("15:04"))
		}
		x, y := p.At.Sub(pts[0].At).Hours(), math.Log(p.CoreC-roomC)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	det := n*sxx - sx*sx
	slope := (n*sxy - sx*sy) / det
	icpt := (sy - slope*sx) / n
	if slope >= 0 {
		return LoafCooling{}, fmt.Errorf("the core does not fall: %.1f C at %s", pts[len(pts)-1].CoreC, pts[len(pts)-1].At.Format("15:04"))
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
		return estimator.Window{}, fmt.Errorf("a core of %.0f C is out of reach in a room of %.0f C", coreC, f.RoomC)
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
