package history

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// Facts are the numbers by which rises are compared. What is not known is NaN.
type Facts struct {
	Rise               Rise
	InoculationPercent float64 // fermented flour per all flour
	HydrationPercent   float64 // all water per all flour
	SaltPercent        float64 // per all flour
	WholePercent       float64 // whole-grain share of the flour
	FeedRatio          string  // of a starter, e.g. "1 : 2 : 2"; empty when unknown
	FeedDoublings      float64 // doublings that the feeding asks for
	HoursToMark        float64 // by the clock, start to mark
	HoursPastMark      float64 // by the clock, mark to end
	HoursToPeak        float64 // by the clock, start to peak
	HoursTotal         float64 // by the clock, start to end
}

// FactsOf returns the facts of one rise. A batch that cannot be read leaves its
// facts unknown; a number of the rise that is exactly zero was never set.
func FactsOf(r Rise) Facts {
	for _, v := range []*float64{&r.MeanDoughC, &r.MaxRate, &r.CeilingPct, &r.PeakPercent, &r.TargetPercent,
		&r.EquivHours, &r.PeakEquivHours, &r.ReachedEquivHours} {
		if *v == 0 {
			*v = math.NaN()
		}
	}
	f := Facts{Rise: r, InoculationPercent: math.NaN(), HydrationPercent: math.NaN(), SaltPercent: math.NaN(),
		WholePercent: math.NaN(), FeedDoublings: math.NaN(),
		HoursToMark:   hours(r.StartedAt, r.ReachedAt),
		HoursPastMark: hours(r.ReachedAt, r.EndedAt),
		HoursToPeak:   hours(r.StartedAt, r.PeakAt),
		HoursTotal:    hours(r.StartedAt, r.EndedAt),
	}
	if b := r.Mixed(); b != nil {
		if n, err := b.Numbers(); err == nil {
			f.InoculationPercent, f.HydrationPercent = n.InoculationPercent, n.HydrationPercent
			f.SaltPercent, f.WholePercent = n.SaltPercent, n.WholePercent
		}
	}
	if feed := r.Fed(); feed != nil {
		f.FeedRatio, f.FeedDoublings = feed.Ratio(), feed.Doublings()
	}
	return f
}

// hours returns the hours between two moments; NaN when one is missing.
func hours(from, to time.Time) float64 {
	if from.IsZero() || to.IsZero() {
		return math.NaN()
	}
	return to.Sub(from).Hours()
}

// Feature is one number that tells rises apart.
type Feature struct {
	Key      string // stable name, e.g. "mean_dough_c"
	Label    string // for a person
	Unit     string // "C", "%", "h", "%/h"
	Decimals int
	Matters  float64 // the least difference worth a word, common practice, no source
	Of       func(Facts) float64
}

// Features returns what Compare looks at.
func Features() []Feature {
	return []Feature{
		{"mean_dough_c", "mean dough temperature", "C", 1, 0.5, func(f Facts) float64 { return f.Rise.MeanDoughC }},
		{"inoculation_percent", "inoculation", "%", 1, 2, func(f Facts) float64 { return f.InoculationPercent }},
		{"hydration_percent", "water per flour", "%", 0, 2, func(f Facts) float64 { return f.HydrationPercent }},
		{"salt_percent", "salt per flour", "%", 1, 0.2, func(f Facts) float64 { return f.SaltPercent }},
		{"whole_percent", "whole grain", "%", 0, 5, func(f Facts) float64 { return f.WholePercent }},
		{"feed_doublings", "doublings asked by the feed", "", 1, 0.3, func(f Facts) float64 { return f.FeedDoublings }},
		{"max_rate", "fastest rise", "%/h", 0, 3, func(f Facts) float64 { return f.Rise.MaxRate }},
		{"ceiling_percent", "expected ceiling", "%", 0, 10, func(f Facts) float64 { return f.Rise.CeilingPct }},
		{"peak_percent", "highest level", "%", 0, 5, func(f Facts) float64 { return f.Rise.PeakPercent }},
		{"target_percent", "mark", "%", 0, 5, func(f Facts) float64 { return f.Rise.TargetPercent }},
		{"hours_to_mark", "time to the mark", "h", 1, 0.5, func(f Facts) float64 { return f.HoursToMark }},
		{"equiv_to_mark", "time to the mark, as at 24 °C", "h", 1, 0.5, func(f Facts) float64 { return f.Rise.ReachedEquivHours }},
		{"hours_past_mark", "time past the mark", "h", 1, 0.25, func(f Facts) float64 { return f.HoursPastMark }},
		{"hours_total", "time from start to end", "h", 1, 0.5, func(f Facts) float64 { return f.HoursTotal }},
	}
}

// Line is one line of the table of differences.
type Line struct {
	Feature Feature
	Values  []float64 // one a rise, NaN when unknown
	Differs bool      // two of them differ by more than matters
}

// Comparison is a table of what differed between rises.
type Comparison struct {
	Rises []Facts
	Lines []Line // only what is known of one rise at least
}

// Compare sets rises side by side.
func Compare(rises []Rise) Comparison {
	var c Comparison
	for _, r := range rises {
		c.Rises = append(c.Rises, FactsOf(r))
	}
	c.Lines = lines(len(c.Rises), func(i int, f Feature) float64 { return f.Of(c.Rises[i]) })
	return c
}

// lines returns the lines that have a value in at least one column.
func lines(columns int, value func(column int, f Feature) float64) []Line {
	var out []Line
	for _, feature := range Features() {
		l := Line{Feature: feature}
		low, high := math.Inf(1), math.Inf(-1)
		for i := range columns {
			v := value(i, feature)
			l.Values = append(l.Values, v)
			if !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		if l.Differs = high-low > feature.Matters; low <= high {
			out = append(out, l)
		}
	}
	return out
}

// Judged returns what differed between doughs by how they were judged: how many
// there are of each outcome, and lines with the median of each. The outcomes are
// those of Outcomes.
func Judged(rises []Rise) (counts []int, table []Line) {
	of := map[string][]Facts{}
	for _, r := range rises {
		if r.Holds == estimator.Dough {
			of[r.Outcome] = append(of[r.Outcome], FactsOf(r))
		}
	}
	for _, o := range Outcomes() {
		counts = append(counts, len(of[o]))
	}
	return counts, lines(len(counts), func(i int, f Feature) float64 {
		var known []float64
		for _, x := range of[Outcomes()[i]] {
			if v := f.Of(x); !math.IsNaN(v) {
				known = append(known, v)
			}
		}
		return median(known)
	})
}

// Outcomes lists the judgements, from too little to too much proof.
func Outcomes() []string { return []string{"under", "right", "over"} }

// VigourPoint is one feeding of a starter that was watched past its peak.
type VigourPoint struct {
	RiseID      int64
	At          time.Time // start of the rise
	EquivToPeak float64   // growth time at 24 C from start to peak, hours
	PeakPercent float64
}

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

// Vigour is how lively a starter is over the weeks.
type Vigour struct {
	Points []VigourPoint // oldest first
	ToPeak Trend         // of EquivToPeak, hours a week: rising means slower
	Peak   Trend         // of PeakPercent, percentage points a week: falling means weaker
}

// afterPeak is how long a starter must be watched after its highest level for that
// to count as its peak; common practice, no source.
const afterPeak = 20 * time.Minute

// VigourOf returns the vigour from the rises of one starter. Rises that ended
// before the peak was sure, and dough, do not count.
func VigourOf(rises []Rise) Vigour {
	var v Vigour
	for _, r := range rises {
		end := r.EndedAt
		if end.IsZero() && (r.Phase == estimator.Falling || r.Phase == estimator.Hungry) {
			end = r.PeakAt.Add(afterPeak)
		}
		sure := r.Holds == estimator.Starter && !r.PeakAt.IsZero() && end.Sub(r.PeakAt) >= afterPeak
		if sure && r.PeakPercent > 0 && r.PeakEquivHours > 0 {
			v.Points = append(v.Points, VigourPoint{r.ID, r.StartedAt, r.PeakEquivHours, r.PeakPercent})
		}
	}
	slices.SortFunc(v.Points, func(a, b VigourPoint) int { return a.At.Compare(b.At) })
	var weeks, toPeak, peak []float64
	for _, p := range v.Points[max(0, len(v.Points)-trendMost):] {
		weeks = append(weeks, p.At.Sub(v.Points[0].At).Hours()/(7*24))
		toPeak = append(toPeak, p.EquivToPeak)
		peak = append(peak, p.PeakPercent)
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
	t := Trend{N: len(x), PerWeek: math.NaN(), Low: math.Inf(-1), High: math.Inf(1), Middle: median(slices.Clone(y))}
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
	t.PerWeek = median(slopes) // sorts
	n := float64(len(x))
	c := 1.959964 * math.Sqrt(n*(n-1)*(2*n+5)/18)
	low, high := int((float64(len(slopes))-c)/2), int((float64(len(slopes))+c)/2+1)
	if low >= 1 && high <= len(slopes) {
		t.Low, t.High = slopes[low-1], slopes[high-1]
	}
	t.Clear = len(x) >= trendNeeds && (t.Low > 0 || t.High < 0)
	return t
}

// median sorts the values and returns the middle one; NaN when there is none.
func median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	return (values[(n-1)/2] + values[n/2]) / 2
}
