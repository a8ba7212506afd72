package sensor

import (
	"math"
	"slices"
)

// NoiseMeter estimates the standard deviation of single readings from how much
// one differs from the next: what is measured changes slowly, so the differences
// are noise. A jump now and then does not disturb it. The zero value is ready.
type NoiseMeter struct {
	diffs [noiseWindow]float32 // a standard deviation needs no more digits, and there are many meters
	n     int                  // differences seen
	last  float64
	begun bool
}

// noiseWindow is how many differences are kept, and noiseLeast how many are
// needed for an estimate.
const (
	noiseWindow = 40
	noiseLeast  = 8
)

// Add takes the next reading and gives the standard deviation so far, in the
// reading's unit, at least that of the step between two possible values. It is 0
// (not known) until there are nine readings.
func (m *NoiseMeter) Add(value, step float64) float64 {
	if m.begun {
		m.diffs[m.n%noiseWindow] = float32(math.Abs(value - m.last))
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
		sum += float64(d)
	}
	const kept = 0.6573 // mean of the smaller nine tenths of |z|, z normal with variance 1
	return math.Max(sum/float64(len(used))/kept/math.Sqrt2, step/math.Sqrt(12))
}
