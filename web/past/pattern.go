package past

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web/say"
)

// Feeding is one watched feeding of a starter, made comparable.
type Feeding struct {
	RiseID      int64
	At          time.Time
	PeakHours   float64 // equivalent hours to the peak
	PeakPercent float64
}

// Vigour is how a starter did over time.
type Vigour struct {
	Feedings []Feeding // oldest first
	Trend    string    // a sentence; says so when there is no trend to tell
}

// StarterVigour collects the feedings of which a peak was seen. rises may hold
// anything in any order.
func StarterVigour(rises []history.Rise) Vigour {
	var v Vigour
	for _, r := range rises {
		if r.Holds == estimator.Starter && known(r.PeakEquivHours) && known(r.PeakPercent) && !r.UnderWay() {
			v.Feedings = append(v.Feedings, Feeding{r.ID, r.StartedAt, r.PeakEquivHours, r.PeakPercent})
		}
	}
	slices.SortFunc(v.Feedings, func(a, b Feeding) int { return a.At.Compare(b.At) })
	v.Trend = trendWords(v.Feedings)
	return v
}

// minFeedings is how many peaks it takes to speak of a trend, and maxChance
// how rare it must be by chance alone. Both from memory: the usual bar of one
// in twenty.
const (
	minFeedings = 6
	maxChance   = 0.05
)

// trendWords tells whether the time to the peak changes over the weeks.
func trendWords(f []Feeding) string {
	if len(f) < minFeedings {
		return fmt.Sprintf("No trend yet: %d of %d feedings with a peak are known.", len(f), minFeedings)
	}
	var weeks, hours []float64
	for _, x := range f {
		weeks = append(weeks, x.At.Sub(f[0].At).Hours()/24/7)
		hours = append(hours, x.PeakHours)
	}
	slope, chance := trend(weeks, hours)
	switch {
	case math.IsNaN(chance) || chance > maxChance:
		return "No clear trend: the time to the peak differs no more than by chance."
	case slope < 0:
		return fmt.Sprintf("Getting quicker: %.1f h less to the peak each week, at equal temperature.", -slope)
	}
	return fmt.Sprintf("Getting slower: %.1f h more to the peak each week, at equal temperature. Feed it more often or keep it warmer.", slope)
}

// trend is the slope of a straight line and how likely one at least so steep
// is by chance (two-sided t test of the slope).
func trend(x, y []float64) (slope, chance float64) {
	n := float64(len(x))
	a, b := stat.LinearRegression(x, y, nil, false)
	mean := stat.Mean(x, nil)
	var rest, sxx float64
	for i := range x {
		d := y[i] - a - b*x[i]
		rest += d * d
		sxx += (x[i] - mean) * (x[i] - mean)
	}
	if sxx == 0 || n < 3 {
		return 0, math.NaN()
	}
	se := math.Sqrt(rest / (n - 2) / sxx)
	if se == 0 {
		if b == 0 {
			return 0, 1
		}
		return b, 0
	}
	return b, twoSided(b/se, n-2)
}

// twoSided is the chance of a t value at least so far from 0.
func twoSided(t, nu float64) float64 {
	return 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Survival(math.Abs(t))
}

// minRated is how many rises each side of a comparison needs.
const minRated = 5

// InCommon tells what the rises judged right had in common that the others had
// not. It returns sentences, or one that says why there are none.
func InCommon(rises []history.Rise, h say.House) []string {
	var right, other []history.Rise
	for _, r := range rises {
		switch {
		case r.Outcome == "right":
			right = append(right, r)
		case r.Outcome != "":
			other = append(other, r)
		}
	}
	if len(right) < minRated || len(other) < minRated {
		return []string{fmt.Sprintf("What good rises have in common cannot be told yet: it takes %d judged right and %d judged otherwise; there are %d and %d.",
			minRated, minRated, len(right), len(other))}
	}
	var out []string
	names := comparable()
	for _, name := range names {
		if s := common(name, right, other, maxChance/float64(len(names)), h); s != "" {
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return []string{fmt.Sprintf("The %d rises judged right differ from the %d others in nothing measured by more than chance.", len(right), len(other))}
	}
	return out
}

// comparable are the facts worth comparing between good rises and others. The
// bar of chance is divided by their number, since each is a try.
func comparable() []string {
	return []string{"Mean dough temperature", "Inoculation", "Fastest rise", "Highest level", "Equivalent time to the mark", "Time past the mark"}
}

// common compares one fact by Welch's t test.
func common(name string, right, other []history.Rise, bar float64, h say.House) string {
	a, b := values(name, right, h), values(name, other, h)
	if len(a) < minRated || len(b) < minRated {
		return ""
	}
	ma, va := stat.MeanVariance(a, nil)
	mb, vb := stat.MeanVariance(b, nil)
	na, nb := float64(len(a)), float64(len(b))
	se2 := va/na + vb/nb
	if se2 == 0 {
		return ""
	}
	nu := se2 * se2 / (va*va/(na*na*(na-1)) + vb*vb/(nb*nb*(nb-1)))
	if twoSided((ma-mb)/math.Sqrt(se2), nu) > bar {
		return ""
	}
	slices.Sort(a)
	lo, hi := stat.Quantile(0.1, stat.LinInterp, a, nil), stat.Quantile(0.9, stat.LinInterp, a, nil)
	return fmt.Sprintf("%s: %s to %s in 8 of 10 judged right; %s on average in the others.", name,
		show(name, lo, h), show(name, hi, h), show(name, mb, h))
}

// values are the known numbers of one fact.
func values(name string, rises []history.Rise, h say.House) []float64 {
	var out []float64
	for _, r := range rises {
		for _, f := range Facts(r, h) {
			if f.Name == name && !math.IsNaN(f.Num) {
				out = append(out, f.Num)
			}
		}
	}
	return out
}

// show writes a number of a fact with its unit.
func show(name string, v float64, h say.House) string {
	switch name {
	case "Mean dough temperature":
		return h.Temperature(v)
	case "Fastest rise":
		return fmt.Sprintf("%.0f %% an hour", v)
	case "Equivalent time to the mark":
		return fmt.Sprintf("%.1f h", v)
	case "Time past the mark":
		return say.Duration(time.Duration(v * float64(time.Hour)))
	}
	return fmt.Sprintf("%.0f %%", v)
}
