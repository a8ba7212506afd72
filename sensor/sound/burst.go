package sound

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"tidemark/sensor"
)

// Assumptions where nothing is measured: a kitchen, and the damp air over dough.
const (
	kitchenC     = 22.0
	kitchenHumid = 0.7
)

// BetweenPings is the least time between two pings (HC-SR04 user guide).
const BetweenPings = 60 * time.Millisecond

// usualPings is how many pings make one reading.
const usualPings = 11

// scatterLimit is how far in mm a ping may lie from the median, and the spread of
// the burst (scaled median deviation) that makes its pings contradict each other:
// some come from the rim or a wall. Two thirds must agree. Common practice, no
// source.
const scatterLimit = 12.0

// Burst makes readings of bursts of pings.
type Burst struct {
	Conf   sensor.Sound
	Limits sensor.Limits
	Air    sensor.Air    // may be nil
	StepMM float64       // between two possible distances
	Gap    time.Duration // from ping to ping
}

// around returns what the sound travels through, as far as known.
func (b Burst) around() Air {
	a := Air{Celsius: kitchenC, Humidity: kitchenHumid, CO2: b.Conf.CO2Ratio}
	if b.Conf.AirC != 0 {
		a.Celsius = b.Conf.AirC
	}
	if b.Air == nil {
		return a
	}
	if c, h, ok := b.Air(); ok {
		a.Celsius = c
		if h >= 0 && h <= 1 {
			a.Humidity = h
		}
	}
	return a
}

// final is a fault after which further pings make no sense.
type final struct{ error }

// Unwrap returns the fault itself.
func (f final) Unwrap() error { return f.error }

// Final marks a fault of a ping after which further pings make no sense.
func Final(err error) error { return final{err} }

// ping sends one ping and returns the distance in mm through the air given.
type ping func(ctx context.Context, air Air) (mm float64, err error)

// Of returns what measures by a burst of pings, as a sensor.Driver wants it.
func (b Burst) Of(fire ping) func(context.Context) (mm, sd float64, err error) {
	return func(ctx context.Context) (mm, sd float64, err error) { return b.measure(ctx, fire) }
}

// measure sends the pings of one reading and sums them up. It stops when a further ping
// makes no sense.
func (b Burst) measure(ctx context.Context, fire ping) (median, sd float64, err error) {
	pings := b.Conf.Pings
	if pings == 0 {
		pings = usualPings
	}
	air := b.around()
	var mm []float64
	var worst error
	for i := range pings {
		if i > 0 && !Pause(ctx, b.Gap) {
			worst = sensor.Fault(sensor.ReadFailed, "pings.late", "count", i, "asked", pings)
			break
		}
		one, err := fire(ctx, air)
		if err == nil {
			mm = append(mm, one)
			continue
		}
		gone := sensor.StatusOf(err) == sensor.Missing
		if worst == nil || gone || sensor.StatusOf(worst) == sensor.OutOfRange { // a fault says more than nothing in range
			worst = err
		}
		if gone || errors.As(err, &final{}) {
			break
		}
	}
	if len(mm) > 0 {
		worst = nil
	}
	median, sd, err = SumUp(mm, pings, b.StepMM)
	if err = cmp.Or(worst, err); err == nil {
		median, err = b.Limits.Apply(median, sensor.ChipReach("srf04"))
	}
	return median, sd, err
}

// Pause waits, and reports whether it could before ctx ended.
func Pause(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// SumUp sums up the distances (mm) of a burst of pings of which asked were sent:
// their median, and its standard deviation, which is never below that of the step
// stepMM between two possible distances. It is a fault when fewer than half of the
// pings were answered or when they contradict each other.
func SumUp(mm []float64, asked int, stepMM float64) (median, sd float64, err error) {
	if len(mm) == 0 || 2*len(mm) < asked {
		return 0, 0, sensor.Fault(sensor.Unreliable, "pings.few", "count", len(mm), "asked", asked)
	}
	median, spread, sd := sensor.Summary(mm, stepMM)
	agree := 0
	for _, v := range mm {
		if math.Abs(v-median) <= scatterLimit {
			agree++
		}
	}
	if spread > scatterLimit || 3*agree < 2*len(mm) {
		return 0, 0, sensor.Fault(sensor.Unreliable, "pings.contradict", "low", slices.Min(mm), "high", slices.Max(mm))
	}
	return median, sd, nil
}
