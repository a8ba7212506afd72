package echo

import (
	"context"
	"errors"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// Options are what all ultrasonic sensors share.
type Options struct {
	Pings    int     // for one reading; 0 = 11
	MinMM    float64 // nearer is refused; 0 = 20
	MaxMM    float64 // farther is refused; 0 = 4000
	OffsetMM float64 // added to each distance
	CO2      float64 // share of carbon dioxide under the sensor
	AirC     float64 // assumed where Air knows nothing; 0 = 22
	// Air gives the last known air temperature (Celsius) and humidity (ratio;
	// NaN when unknown). It may be nil.
	Air   func() (celsius, humidity float64, ok bool)
	Clock sensor.Clock
}

// Assumptions where nothing is measured: a kitchen, and the damp air over dough.
const (
	kitchenC       = 22.0
	kitchenDampSD  = 0.25
	kitchenHumid   = 0.7
	betweenPings   = 60 * time.Millisecond
	ultrasonicLoMM = 20
	ultrasonicHiMM = 4000
)

// air is what the sound travels through, as far as known.
func (o Options) air() sound.Air {
	a := sound.Air{Celsius: kitchenC, Humidity: kitchenHumid, CO2: o.CO2}
	if o.AirC != 0 {
		a.Celsius = o.AirC
	}
	if o.Air == nil {
		return a
	}
	if c, h, ok := o.Air(); ok {
		a.Celsius = c
		if h >= 0 && h <= 1 {
			a.Humidity = h
		}
	}
	return a
}

// AssumedDoubt is by what share a distance may be off (one standard deviation)
// when the air temperature is only assumed and may be wrong by sdC.
func AssumedDoubt(sdC float64) float64 {
	a := Options{}.air()
	return a.SpeedSD(sdC, kitchenDampSD) / a.SpeedMPS()
}

// shot sends one ping through air and gives the distance in mm.
type shot func(ctx context.Context, air sound.Air) (mm float64, err error)

// burst sends the pings of one reading and sums them up. It stops when a further
// ping makes no sense.
func (o Options) burst(ctx context.Context, fire shot, gap time.Duration, stepMM float64) sensor.Reading {
	pings := o.Pings
	if pings == 0 {
		pings = 11
	}
	air := o.air()
	var mm []float64
	var last error
	for i := range pings {
		if i > 0 && pause(ctx, gap) != nil {
			last = sensor.Faultf(sensor.ReadFailed, "only %d of %d pings were sent in time", i, pings)
			break
		}
		one, err := fire(ctx, air)
		switch {
		case err == nil:
			mm = append(mm, one)
		case last == nil || worse(err, last):
			last = err
		}
		if fatal(err) {
			break
		}
	}
	r := o.Clock.Stamp(sensor.Distance)
	if len(mm) == 0 && last != nil {
		return r.Failed(last)
	}
	median, sd, err := sound.Burst(mm, pings, stepMM)
	if err != nil {
		return r.Failed(err)
	}
	median, err = sensor.CheckMM(median, o.MinMM, o.MaxMM, ultrasonicLoMM, ultrasonicHiMM)
	if err != nil {
		return r.Failed(err)
	}
	return r.Good(median+o.OffsetMM, sd)
}

// final is a fault after which further pings make no sense.
type final struct{ error }

// Unwrap gives the fault itself.
func (f final) Unwrap() error { return f.error }

// fatal tells whether further pings make no sense.
func fatal(err error) bool {
	var f *sensor.FaultError
	return errors.As(err, &final{}) || errors.As(err, &f) && f.Status == sensor.Missing
}

// worse tells whether a says more than b: a device that is gone, over one that
// failed, over nothing in range.
func worse(a, b error) bool { return weight(a) > weight(b) }

// weight orders faults.
func weight(err error) int {
	var f *sensor.FaultError
	if !errors.As(err, &f) {
		return 2
	}
	switch f.Status {
	case sensor.Missing:
		return 3
	case sensor.OutOfRange:
		return 1
	default:
		return 2
	}
}

// pause waits, or returns the context's error when it ends first.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
