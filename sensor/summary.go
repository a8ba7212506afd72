package sensor

import (
	"math"
	"slices"
)

// Summary sums up repeated measurements of one thing: their median, the spread
// of a single one (scaled median deviation, about a standard deviation) and the
// standard deviation of the median. The step between two possible values is the
// least doubt. All NaN for no values; values keep their order.
func Summary(values []float64, step float64) (median, spread, sd float64) {
	median = middle(values)
	off := make([]float64, len(values))
	for i, v := range values {
		off[i] = math.Abs(v - median)
	}
	const normal = 1.4826 // median deviation to standard deviation, normal noise
	spread = normal * middle(off)
	const efficiency = 1.2533 // of a median against a mean, normal noise
	least := step / math.Sqrt(12)
	return median, spread, efficiency * math.Max(spread, least) / math.Sqrt(float64(len(values)))
}

// middle is the median of values, NaN for none.
func middle(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
