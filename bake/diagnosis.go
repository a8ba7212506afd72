package bake

import (
	"math"
	"slices"
)

// What a person may see in the jar.
const (
	SawMould  = "mould"  // or a pink or orange streak
	SawLiquid = "liquid" // grey or black, on top
)

// Finding is one verdict on a starter with its evidence and what to do about
// it, first things first.
type Finding struct {
	What     Said
	Evidence Said
	Do       []Said
	Discard  bool // throw it away; nothing else is advised
}

// weakPercent is the rise a healthy starter passes: it peaks at 2 to 3 times
// its height (feeding chart, 2005, The Fresh Loaf).
const weakPercent = 100

// coolC is below what a starter is called cool. The published yeast curve is
// at 0.71 of its 24 C speed at 21 C (Ganzle 1998).
const coolC = 21.0

// Seen returns what something seen in the jar means. Any mould, or orange, pink, red:
// start again (Bob's Red Mill help page; milder advice exists, the stricter is used).
// Liquid is hunger (The Takeout, 12 March 2025).
func Seen(what string) Finding {
	if what == SawLiquid {
		return found("hungry", nil, say("starter.pour_off"))
	}
	f := found("spoiled", nil, cautions("mould"))
	f.Discard = true
	return f
}

// Diagnose judges a starter by its past feeds (oldest first). Nothing is said from fewer
// than three feeds with a known peak. The order of the remedies is common practice, no
// source; temperature is first because it costs nothing and explains most.
func Diagnose(past []PastFeed) []Finding {
	var out []Finding
	known := slices.DeleteFunc(slices.Clone(past), func(p PastFeed) bool { return math.IsNaN(p.PeakPercent) })
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

// found is a finding by its key.
func found(key string, v Values, do []Said) Finding {
	return Finding{What: Said{Key: "starter." + key}, Evidence: Said{"starter." + key + ".seen", v}, Do: do}
}

// neverDoubled looks at the last feeds.
func neverDoubled(known []PastFeed) (Finding, bool) {
	last := known[max(0, len(known)-6):]
	best := 0.0
	for _, p := range last {
		best = math.Max(best, p.PeakPercent)
	}
	if best >= weakPercent {
		return Finding{}, false
	}
	key, mean, v := "weak", meanOf(last), Values{"feeds": len(last), "best_percent": best}
	if !math.IsNaN(mean) {
		key, v["mean_c"] = "weak.at", mean
	}
	f := found("weak", v, remedies(last, mean))
	f.Evidence.Key = "starter." + key + ".seen"
	return f, true
}

// questions are what to ask before a starter is called weak: a young one, a thin one
// and one in a wide vessel need not double. Common practice, no source.
func questions(last []PastFeed) []Said {
	out := say("starter.ask.age")
	f := last[len(last)-1].Feed
	switch {
	case f.FlourG <= 0:
		out = append(out, Said{Key: "starter.ask.stiff"})
	case f.WaterG > 1.25*f.FlourG:
		out = append(out, Said{"starter.ask.thin", Values{"ratio": f.Ratio()}})
	}
	return append(out, Said{Key: "starter.ask.vessel"})
}

// remedies lists what to try, in order, leaving out what the evidence rules
// out.
func remedies(last []PastFeed, meanC float64) []Said {
	out := questions(last)
	switch {
	case math.IsNaN(meanC):
		out = append(out, Said{Key: "starter.do.measure"})
	case meanC < coolC:
		out = append(out, Said{"starter.do.warmer", Values{"mean_c": meanC, "speed_percent": 100 * Speed(meanC)}})
	case meanC > 30:
		out = append(out, Said{"starter.do.cooler", Values{"mean_c": meanC}})
	}
	late, cold := 0.0, 0.0
	for _, p := range last {
		if !math.IsNaN(p.LateHours) {
			late = math.Max(late, p.LateHours)
		}
		cold = math.Max(cold, p.ColdDays)
	}
	if late > 6 {
		out = append(out, Said{"starter.do.sooner", Values{"hours": late}})
	} else {
		out = append(out, Said{Key: "starter.do.twice"})
	}
	if cold >= 7 {
		out = append(out, Said{"starter.do.after_cold", Values{"days": cold}})
	}
	return append(out, say("starter.do.more", "starter.do.whole", "starter.do.water")...)
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
	last := known[len(known)-3:]
	return found("slower", Values{"slower_percent": 100 * slower, "feeds": before.Feeds}, remedies(last, meanOf(last))), true
}

// meanOf is the mean temperature of feeds; NaN when none is known.
func meanOf(feeds []PastFeed) float64 {
	sum, n := 0.0, 0.0
	for _, f := range feeds {
		if !math.IsNaN(f.MeanC) {
			sum, n = sum+f.MeanC, n+1
		}
	}
	return sum / n
}
