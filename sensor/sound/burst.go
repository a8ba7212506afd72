package sound

import (
	"math"
	"slices"

	"tidemark/sensor"
)

// scatterLimit is the spread (scaled median deviation) in mm beyond which the
// pings of a burst contradict each other: some come from the rim or a wall.
// Common practice, no source.
const scatterLimit = 12.0

// Burst sums up the distances (mm) of a burst of pings of which asked were
// sent: their median, and its standard deviation, which is never below that of
// the step stepMM between two possible distances. It is a fault when fewer than
// half of the pings were answered or when they contradict each other.
func Burst(mm []float64, asked int, stepMM float64) (median, sd float64, err error) {
	if len(mm) == 0 || 2*len(mm) < asked {
		return 0, 0, sensor.Faultf(sensor.Unreliable, "only %d of %d pings came back; is something soft or slanted under the sensor?", len(mm), asked)
	}
	mid := medianOf(mm)
	off := make([]float64, len(mm))
	for i, v := range mm {
		off[i] = math.Abs(v - mid)
	}
	const normal = 1.4826 // median deviation to standard deviation, normal noise
	spread := normal * medianOf(off)
	if spread > scatterLimit {
		return 0, 0, sensor.Faultf(sensor.Unreliable, "the pings contradict each other by %.0f mm: the sensor sees the rim or a wall beside the surface", spread)
	}
	const efficiency = 1.2533 // of a median against a mean, normal noise
	single := math.Max(spread, stepMM/math.Sqrt(12))
	return mid, efficiency * single / math.Sqrt(float64(len(mm))), nil
}

// medianOf is the median of values, which it leaves in their order. It is NaN
// for none.
func medianOf(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
