package app

import (
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/sensor"
)

// SampleOf joins the readings of one moment. A reading with a fault counts as
// missing; its reason is kept by the sensor's health. A height sensor that finds
// nothing in its range is not silent, though: its distance counts as endless, so
// that people are told to look for the lid rather than for a broken cable.
func SampleOf(at time.Time, height, dough, air sensor.Reading) estimator.Sample {
	distanceMM := value(height)
	if height.Status == sensor.OutOfRange {
		distanceMM = math.Inf(1)
	}
	return estimator.Sample{
		Time: at, DistanceMM: distanceMM, SDMM: height.SD, DoughC: value(dough), AirC: value(air),
	}
}

// value returns what was measured, or NaN.
func value(r sensor.Reading) float64 {
	if r.Status != sensor.OK {
		return math.NaN()
	}
	return r.Value
}
