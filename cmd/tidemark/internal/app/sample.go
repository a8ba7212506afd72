package app

import (
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/sensor"
)

// SampleOf joins the readings of one moment. A reading with a fault counts as
// missing; its reason is kept by the sensor's health.
func SampleOf(at time.Time, height, dough, air sensor.Reading) estimator.Sample {
	return estimator.Sample{
		Time: at, DistanceMM: value(height), SDMM: height.SD, DoughC: value(dough), AirC: value(air),
	}
}

// value returns what was measured, or NaN.
func value(r sensor.Reading) float64 {
	if r.Status != sensor.OK {
		return math.NaN()
	}
	return r.Value
}

// eventOnly is a sample that carries nothing but an event.
func eventOnly(at time.Time, e estimator.Event) estimator.Sample {
	return estimator.Sample{Time: at, DistanceMM: math.NaN(), DoughC: math.NaN(), AirC: math.NaN(), Event: e}
}
