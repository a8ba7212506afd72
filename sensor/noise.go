package sensor

import (
	"math"
	"slices"
)

// NoiseMeter estimates the standard deviation of single readings from how much
// one differs from the next: what is measured changes slowly, so the differences
// are noise. A jump now and then does not disturb it. The zero value is ready.
type NoiseMeter struct {
	diffs [noiseWindow]float64
	n     int // differences seen
	last  float64
	begun bool
}

// noiseWindow is how many differences are kept, and noiseLeast how many are
// needed for an estimate.
const (
	noiseWindow = 40
	noiseLeast  = 8
)

// Add takes the next reading and returns the standard deviation so far, in the
// reading's unit, at least that of the step between two possible values. It is 0
// (not known) until there are nine readings.
func (m *NoiseMeter) Add(value, step float64) float64 {
	if m.begun {
		m.diffs[m.n%noiseWindow] = math.Abs(value - m.last)
		m.n++
	}
	m.last, m.begun = value, true
	if m.n < noiseLeast {
		return 0
	}
	used := slices.Sorted(slices.Values(m.diffs[:min(m.n, noiseWindow)]))
	used = used[:len(used)-len(used)/10] // without the largest tenth: jumps
	sum := 0.0
	for _, d := range used {
		sum += d
	}
	const kept = 0.6573 // mean of the smaller nine tenths of |z|, z normal with variance 1
	return math.Max(sum/float64(len(used))/kept/math.Sqrt2, step/math.Sqrt(12))
}

// Summary sums up repeated measurements of one thing: their median, the spread
// of a single one (scaled median deviation, about a standard deviation) and the
// standard deviation of the median. The step between two possible values is the
// least doubt. All are NaN for no values; values keep their order.
func Summary(values []float64, step float64) (med, spread, sd float64) {
	med = median(values)
	off := make([]float64, len(values))
	for i, v := range values {
		off[i] = math.Abs(v - med)
	}
	const normal = 1.4826 // median deviation to standard deviation, normal noise
	spread = normal * median(off)
	const efficiency = 1.2533 // of a median against a mean, normal noise
	least := step / math.Sqrt(12)
	return med, spread, efficiency * math.Max(spread, least) / math.Sqrt(float64(len(values)))
}

// median returns the median of values, NaN for none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
