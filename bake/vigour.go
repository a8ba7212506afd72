package bake

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// Trend is a robust straight line through points over time (Theil and Sen: the
// median of all slopes between two points), with the 95 % interval of its slope
// after Sen, P. K. (1968), Estimates of the regression coefficient based on
// Kendall's tau, J. Am. Stat. Assoc. 63, 1379-1389. Equal values make the interval
// a little too wide.
type Trend struct {
	N       int
	PerWeek float64 // slope; NaN with fewer than two different times
	Low     float64 // 95 % interval of PerWeek; infinite with too few points
	High    float64
	Middle  float64 // median of the values
	Clear   bool    // eight points or more and the interval leaves out zero
}

// VigourTrend is how lively a starter is over the weeks.
type VigourTrend struct {
	Feeds  []Rise // watched past their peak, oldest first
	ToPeak Trend  // of the growth time at 24 C to the peak, hours a week: rising means slower
	Peak   Trend  // of PeakPercent, percentage points a week: falling means weaker
}

// afterPeak is how long a starter must be watched after its highest level for that
// to count as its peak; common practice, no source.
const afterPeak = 20 * time.Minute

// peaked reports whether a starter was watched past its peak.
func (r Rise) peaked() bool {
	fell := r.EndedAt.IsZero() && (r.Phase == estimator.Falling || r.Phase == estimator.Hungry)
	return r.Holds == estimator.Starter && !r.PeakAt.IsZero() && (fell || r.EndedAt.Sub(r.PeakAt) >= afterPeak) && r.PeakPercent > 0 && r.PeakEquivHours > 0
}

// VigourTrendOf returns the trend from the rises of one starter. Rises that ended
// before the peak was sure, and dough, do not count.
func VigourTrendOf(rises []Rise) VigourTrend {
	var v VigourTrend
	for _, r := range rises {
		if r.peaked() {
			v.Feeds = append(v.Feeds, r)
		}
	}
	slices.SortFunc(v.Feeds, func(a, b Rise) int { return a.StartedAt.Compare(b.StartedAt) })
	var weeks, toPeak, peak []float64
	for _, r := range v.Feeds[max(0, len(v.Feeds)-trendMost):] {
		weeks = append(weeks, r.StartedAt.Sub(v.Feeds[0].StartedAt).Hours()/(7*24))
		toPeak = append(toPeak, r.PeakEquivHours)
		peak = append(peak, r.PeakPercent)
	}
	v.ToPeak, v.Peak = theilSen(weeks, toPeak), theilSen(weeks, peak)
	return v
}

// trendMost is how many of the newest feedings a trend looks at: older ones tell of
// another starter.
const trendMost = 100

// trendNeeds is the least number of points for a trend to be called clear: with
// fewer, the normal approximation of the interval is poor.
const trendNeeds = 8

// theilSen fits the trend of y over x. The variance of Kendall's S is that of values
// without ties (Kendall, M. G. (1970), Rank Correlation Methods, ch. 4).
func theilSen(x, y []float64) Trend {
	t := Trend{N: len(x), PerWeek: math.NaN(), Low: math.Inf(-1), High: math.Inf(1), Middle: Median(slices.Clone(y))}
	var slopes []float64
	for i := range x {
		for j := range i {
			if x[i] != x[j] {
				slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
			}
		}
	}
	if len(slopes) == 0 {
		return t
	}
	t.PerWeek = Median(slopes) // sorts
	n := float64(len(x))
	c := 1.959964 * math.Sqrt(n*(n-1)*(2*n+5)/18)
	low, high := int((float64(len(slopes))-c)/2), int((float64(len(slopes))+c)/2+1)
	if low >= 1 && high <= len(slopes) {
		t.Low, t.High = slopes[low-1], slopes[high-1]
	}
	t.Clear = len(x) >= trendNeeds && (t.Low > 0 || t.High < 0)
	return t
}

// Median sorts the values and returns the middle one; NaN when there is none.
func Median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	return (values[(n-1)/2] + values[n/2]) / 2
}

// PastFeeds returns the rises of a starter that have ended, oldest first, as feeds with
// what came of them. cold tells since when each stood in the refrigerator at its end, by
// its ID.
func PastFeeds(rises []Rise, cold map[int64]time.Time) []PastFeed {
	nan := math.NaN()
	var out []PastFeed
	for i, r := range rises {
		if r.UnderWay() {
			continue
		}
		f := PastFeed{MeanC: r.MeanDoughC, PeakHours: nan, PeakPercent: nan, LateHours: nan}
		if f.MeanC == 0 {
			f.MeanC = nan // it was never set
		}
		if feed := r.Fed(); feed != nil {
			f.Feed = *feed
		}
		f.At = r.StartedAt
		if r.peaked() {
			f.PeakHours, f.PeakPercent = r.PeakAt.Sub(r.StartedAt).Hours(), r.PeakPercent
			if i+1 < len(rises) {
				f.LateHours = rises[i+1].StartedAt.Sub(r.PeakAt).Hours()
			}
		}
		if i > 0 {
			if from := cold[rises[i-1].ID]; !from.IsZero() {
				f.ColdDays = r.StartedAt.Sub(from).Hours() / 24
			}
		}
		out = append(out, f)
	}
	return out
}

// ColdSince is when a starter went into the refrigerator and was not taken out again, by
// the events of its rise; zero when it stood warm.
func ColdSince(events []Event) time.Time {
	var at time.Time
	for _, e := range events {
		switch {
		case e.Undone():
		case e.Kind == EventFridge:
			at = e.At
		case e.Kind == EventCounter:
			at = time.Time{}
		}
	}
	return at
}

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

// Diagnose judges a starter by its past feeds (oldest first): whether it never doubled
// lately, and whether its last three feeds were slower than the earlier ones. Nothing is
// said from fewer than three feeds with a known peak. The order of the remedies is common
// practice, no source; temperature is first because it costs nothing and explains most.
func Diagnose(past []PastFeed) (out []Finding) {
	known := slices.DeleteFunc(slices.Clone(past), func(p PastFeed) bool { return math.IsNaN(p.PeakPercent) })
	n := len(known)
	if n < 3 {
		return nil
	}
	last, best := known[max(0, n-6):], 0.0
	for _, p := range last {
		best = math.Max(best, p.PeakPercent)
	}
	if best < weakPercent {
		f := found("weak", Values{"feeds": len(last), "best_percent": best}, remedies(last))
		if mean := meanOf(last); !math.IsNaN(mean) {
			f.Evidence.Key, f.Evidence.Values["mean_c"] = "starter.weak.at.seen", mean
		}
		out = append(out, f)
	}
	recent, before := LearnVigour(known[n-3:]), LearnVigour(known[:n-3])
	slower, doubt := recent.Log-before.Log, peakNoise*math.Sqrt(1.0/3+1/float64(before.Feeds))
	if recent.Feeds == 3 && before.Feeds >= 3 && slower >= math.Log(1.25) && slower >= 2*doubt {
		out = append(out, found("slower", Values{"slower_percent": 100 * (math.Exp(slower) - 1), "feeds": before.Feeds}, remedies(known[n-3:])))
	}
	return out
}

// found is a finding by its key.
func found(key string, v Values, do []Said) Finding {
	return Finding{What: Said{Key: "starter." + key}, Evidence: Said{"starter." + key + ".seen", v}, Do: do}
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
func remedies(last []PastFeed) []Said {
	out := questions(last)
	switch meanC := meanOf(last); {
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
