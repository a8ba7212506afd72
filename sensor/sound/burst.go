package sound

import "tidemark/sensor"

// scatterLimit is the spread (scaled median deviation) in mm beyond which the
// pings of a burst contradict each other: some come from the rim or a wall.
// Common practice, no source.
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
	if spread > scatterLimit {
		return 0, 0, sensor.Faultf(sensor.Unreliable, "the pings contradict each other by %.0f mm: the sensor sees the rim or a wall beside the surface", spread)
	}
	return median, sd, nil
}
