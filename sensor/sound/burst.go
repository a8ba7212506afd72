package sound

import (
	"math"
	"slices"

	"tidemark/sensor"
)

// scatterLimit is how far in mm a ping may lie from the median, and the spread of
// the burst (scaled median deviation) that makes its pings contradict each other:
// some come from the rim or a wall. Two thirds must agree. Common practice, no
// source.
const scatterLimit = 12.0

// Burst sums up the distances (mm) of a burst of pings of which asked were
// sent: their median, and its standard deviation, which is never below that of
// the step stepMM between two possible distances. It is a fault when fewer than
// half of the pings were answered or when they contradict each other.
func Burst(mm []float64, asked int, stepMM float64) (float64, float64, error) {
	if len(mm) == 0 || 2*len(mm) < asked {
		return 0, 0, sensor.Faultf(sensor.Unreliable, "only %d of %d pings came back; is something soft or slanted under the sensor?", len(mm), asked)
	}
	median, spread, sd := sensor.Summary(mm, stepMM)
	agree := 0
	for _, v := range mm {
		if math.Abs(v-median) <= scatterLimit {
			agree++
		}
	}
	if spread > scatterLimit || 3*agree < 2*len(mm) {
		return 0, 0, sensor.Faultf(sensor.Unreliable, "the pings contradict each other (%.0f to %.0f mm): the sensor sees the rim or a wall beside the surface", slices.Min(mm), slices.Max(mm))
	}
	return median, sd, nil
}
