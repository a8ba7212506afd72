package history

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"tidemark/estimator"
)

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
// Kendall's tau, J. Am. Stat. Assoc. 63, 1379-1389.
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

// vigourMinutes is how long a starter must be watched after its highest level for
// that to count as its peak; common practice, no source.
const vigourMinutes = 20

// VigourOf works out the vigour from the rises of one starter. Rises that ended
// before the peak was sure, and dough, do not count.
func VigourOf(rises []Rise) Vigour {
	var v Vigour
	for _, r := range rises {
		end := r.EndedAt
		if end.IsZero() && (r.Phase == estimator.Falling || r.Phase == estimator.Hungry) {
			end = r.PeakAt.Add(vigourMinutes * time.Minute)
		}
		sure := r.Holds == estimator.Starter && !r.PeakAt.IsZero() && end.Sub(r.PeakAt) >= vigourMinutes*time.Minute
		if sure && r.PeakPercent > 0 && r.PeakEquivHours > 0 {
			v.Points = append(v.Points, VigourPoint{r.ID, r.StartedAt, r.PeakEquivHours, r.PeakPercent})
		}
	}
	slices.SortFunc(v.Points, func(a, b VigourPoint) int { return a.At.Compare(b.At) })
	var weeks, toPeak, peak []float64
	for _, p := range v.Points {
		weeks = append(weeks, p.At.Sub(v.Points[0].At).Hours()/(7*24))
		toPeak = append(toPeak, p.EquivToPeak)
		peak = append(peak, p.PeakPercent)
	}
	v.ToPeak, v.Peak = theilSen(weeks, toPeak), theilSen(weeks, peak)
	return v
}

// trendNeeds is the least number of points for a trend to be called clear: with
// fewer, the normal approximation of the interval is poor.
const trendNeeds = 8

// theilSen fits the trend of y over x.
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
	c := 1.959964 * math.Sqrt(kendallVariance(x, y))
	low, high := int((float64(len(slopes))-c)/2), int((float64(len(slopes))+c)/2+1)
	if low >= 1 && high <= len(slopes) {
		t.Low, t.High = slopes[low-1], slopes[high-1]
	}
	t.Clear = len(x) >= trendNeeds && (t.Low > 0 || t.High < 0)
	return t
}

// kendallVariance is the variance of Kendall's S with ties in either variable
// (the leading term; Kendall, M. G. (1970), Rank Correlation Methods, ch. 4).
func kendallVariance(x, y []float64) float64 {
	n := float64(len(x))
	v := n * (n - 1) * (2*n + 5)
	for _, values := range [][]float64{x, y} {
		for _, k := range ties(values) {
			v -= k * (k - 1) * (2*k + 5)
		}
	}
	return max(v, 0) / 18
}

// ties counts how often each value comes, where it comes more than once.
func ties(values []float64) []float64 {
	count := make(map[float64]float64)
	for _, v := range values {
		count[v]++
	}
	var out []float64
	for _, k := range count {
		if k > 1 {
			out = append(out, k)
		}
	}
	return out
}

// median sorts the values and returns the middle one; NaN when there is none.
func median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return values[n/2]
	}
	return stat.Mean(values[n/2-1:n/2+1], nil)
}
