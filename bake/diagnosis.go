package bake

import (
	"fmt"
	"math"
	"slices"
)

// Sighting is what a person saw in the jar.
type Sighting string

// The sightings.
const (
	SawMould  Sighting = "mould"
	SawPink   Sighting = "pink"
	SawOrange Sighting = "orange"
	SawLiquid Sighting = "liquid" // grey or black liquid on top
)

// Finding is one verdict on a starter with its evidence and what to do about
// it, first things first.
type Finding struct {
	What     string
	Evidence string
	Do       []string
	Discard  bool // throw it away; nothing else is advised
}

// weakPercent is the rise a healthy starter passes: it peaks at 2 to 3 times
// its height (feeding chart, 2005, The Fresh Loaf).
const weakPercent = 100

// coolC is below what a starter is called cool. The published yeast curve is
// at 0.71 of its 24 C speed at 21 C (Ganzle 1998).
const coolC = 21.0

// Diagnose judges a starter by its past feeds (oldest first) and by what was
// seen. Nothing is said from fewer than three feeds with a known peak. The
// order of the remedies is common practice, no source; temperature is first
// because it costs nothing and explains most.
func Diagnose(past []PastFeed, seen []Sighting) []Finding {
	if f, bad := spoiled(seen); bad {
		return []Finding{f}
	}
	var out []Finding
	if slices.Contains(seen, SawLiquid) {
		out = append(out, Finding{
			What: "Hungry.", Evidence: "Liquid stands on top: that is hunger, by itself not mould.", // The Takeout, 12 March 2025
			Do: []string{"Pour it off or stir it in, and feed sooner or with more flour and water."},
		})
	}
	known := withPeak(past)
	if len(known) < 3 {
		return out
	}
	if f, ok := neverDoubled(known); ok {
		out = append(out, f)
	}
	if f, ok := slowerThanItself(known); ok {
		out = append(out, f)
	}
	return out
}

// spoiled reports what ends a starter.
func spoiled(seen []Sighting) (Finding, bool) {
	for _, s := range []Sighting{SawMould, SawPink, SawOrange} {
		if slices.Contains(seen, s) {
			// Bob's Red Mill help page: any mould, or orange, pink, red: start
			// again. Milder advice exists; the stricter is used.
			return Finding{
				What: "Throw it away.", Evidence: fmt.Sprintf("Seen in the jar: %s.", s), Discard: true,
				Do: []string{warn("mould")},
			}, true
		}
	}
	return Finding{}, false
}

func withPeak(past []PastFeed) []PastFeed {
	var out []PastFeed
	for _, p := range past {
		if !math.IsNaN(p.PeakPercent) {
			out = append(out, p)
		}
	}
	return out
}

// neverDoubled looks at the last feeds.
func neverDoubled(known []PastFeed) (Finding, bool) {
	last := known[max(0, len(known)-6):]
	best, temps := 0.0, []float64{}
	for _, p := range last {
		best = math.Max(best, p.PeakPercent)
		if !math.IsNaN(p.MeanC) {
			temps = append(temps, p.MeanC)
		}
	}
	if best >= weakPercent {
		return Finding{}, false
	}
	f := Finding{What: "In this jar it does not double.", Evidence: fmt.Sprintf("Best of the last %d feeds: %.0f %%", len(last), best)}
	mean := math.NaN()
	if len(temps) > 0 {
		mean = average(temps)
		f.Evidence += ", at " + degreesBetween(slices.Min(temps), slices.Max(temps))
	}
	f.Evidence += "."
	f.Do = remedies(last, mean)
	return f, true
}

// degreesBetween writes "18 °C", or "17 to 19 °C" when they differ.
func degreesBetween(lowC, highC float64) string {
	low, high := fmt.Sprintf("%.0f", lowC), fmt.Sprintf("%.0f", highC)
	if low == high {
		return low + " °C"
	}
	return low + " to " + high + " °C"
}

// questions are what to ask before a starter is called weak: a young one, a thin one
// and one in a wide vessel need not double. Common practice, no source.
func questions(last []PastFeed) []string {
	out := []string{"First: how old is it? In its first three weeks a starter that does not double is nothing unusual; go on feeding it."}
	f := last[len(last)-1].Feed
	switch {
	case f.FlourG <= 0:
		out = append(out, "How stiff is it? One thinner than pancake batter lets its gas go and shows no rise.")
	case f.WaterG > 1.25*f.FlourG:
		out = append(out, fmt.Sprintf("It is fed %s, which is thin: it lets its gas go and shows no rise. Judge it with as much flour as water.", f.Ratio()))
	}
	return append(out, "What does it stand in? In a wide or slanting vessel the same gas shows as less height: judge it in a straight, narrow jar.")
}

// remedies lists what to try, in order, leaving out what the evidence rules
// out.
func remedies(last []PastFeed, meanC float64) []string {
	out := questions(last)
	switch {
	case math.IsNaN(meanC):
		out = append(out, "Then the temperature: measure where it stands, and keep it at 24 to 27 °C.")
	case meanC < coolC:
		out = append(out, fmt.Sprintf("Then the temperature: it stood at %.0f °C, where it works at about %.0f %% of its 24 °C speed. Keep it at 24 to 27 °C and judge again after three feeds.", meanC, 100*Speed(meanC)))
	case meanC > 30:
		out = append(out, fmt.Sprintf("Then the temperature: %.0f °C favours the bacteria over the yeast. Keep it at 24 to 27 °C.", meanC))
	}
	late, cold := 0.0, 0.0
	for _, p := range last {
		if !math.IsNaN(p.LateHours) {
			late = math.Max(late, p.LateHours)
		}
		cold = math.Max(cold, p.ColdDays)
	}
	if late > 6 {
		out = append(out, fmt.Sprintf("Feed it at its peak: it waited up to %.0f h after the peak and grew sour.", late))
	} else {
		out = append(out, "Feed it at its peak, twice a day, for three days.")
	}
	if cold >= 7 {
		out = append(out, fmt.Sprintf("After %.0f days in the cold give it two or three feeds before judging it.", cold))
	}
	return append(out,
		"Keep less of the old and feed more: 1 : 3 : 3 leaves less acid behind.",
		"Give a quarter of the flour as whole grain, rye for one.",

		"If the tap water smells of chlorine, let it stand overnight or boil it.")
}

// slowerThanItself compares the last three feeds with the earlier ones.
func slowerThanItself(known []PastFeed) (Finding, bool) {
	if len(known) < 6 {
		return Finding{}, false
	}
	recent, before := LearnVigour(known[len(known)-3:]), LearnVigour(known[:len(known)-3])
	if recent.Feeds < 3 || before.Feeds < 3 {
		return Finding{}, false
	}
	slower := math.Exp(recent.Log-before.Log) - 1
	if slower < 0.25 || recent.Log-before.Log < 2*peakNoise*math.Sqrt(1.0/3+1/float64(before.Feeds)) {
		return Finding{}, false
	}
	var temps []float64
	for _, p := range known[len(known)-3:] {
		temps = append(temps, p.MeanC)
	}
	return Finding{
		What: "Slower than it was.",
		Evidence: fmt.Sprintf("The last three feeds took %.0f %% longer than its earlier %d, temperature and ratio allowed for.",
			100*slower, before.Feeds),
		Do: remedies(known[len(known)-3:], average(temps)),
	}, true
}

// average of the numbers in list; NaN when there are none.
func average(list []float64) float64 {
	sum, n := 0.0, 0.0
	for _, v := range list {
		if !math.IsNaN(v) {
			sum, n = sum+v, n+1
		}
	}
	return sum / n
}
