package app

import (
	"errors"
	"fmt"
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/sensor"
	"tidemark/sensor/source"
)

// freshFor is how long a temperature stands beside later heights.
const freshFor = 2 * time.Minute

// role is what a sensor is to its vessel.
type role string

// The roles, as they stand in the configuration.
const (
	heightRole   role = "height"
	doughRole    role = "dough"
	airRole      role = "air"
	humidityRole role = "humidity"
	loafRole     role = "loaf"
)

// openSensors opens every sensor of the configuration, as jobs for the polling.
func (a *App) openSensors(buses *source.Buses) (jobs []sensor.Job, err error) {
	for _, v := range a.order {
		v.mu.Lock()
		sensors := v.config.Sensors()
		if v.config.Height != nil {
			v.gauge = &gauge{conf: v.config.Height}
		}
		v.mu.Unlock()
		for _, s := range sensors {
			src, err := source.Open(s.Config, s.Quantity, v.sourceEnv(buses))
			if err != nil {
				return nil, errors.Join(fmt.Errorf("vessel %s, %s sensor: %w", v.name, s.Role, err), closeSensors(jobs))
			}
			jobs = append(jobs, v.job(role(s.Role), sensor.Job{Bus: source.Bus(s.Config), Source: src, Quantity: s.Quantity, Every: a.opt.Config.SampleEvery}))
		}
	}
	return jobs, nil
}

// closeSensors releases every sensor.
func closeSensors(jobs []sensor.Job) error {
	var err error
	for _, j := range jobs {
		err = errors.Join(err, j.Source.Close())
	}
	return err
}

// sourceEnv is what the sensors of the vessel need from the machine.
func (v *vessel) sourceEnv(buses *source.Buses) source.Env {
	return source.Env{SysfsRoot: v.app.opt.Config.Sysfs, Buses: buses, Air: func() (celsius, humidity float64, ok bool) {
		return v.airNow(v.app.opt.Clock.Now())
	}}
}

// job takes in what a sensor gives as its role to the vessel. A height may be read
// faster, while the vessel is measured.
func (v *vessel) job(as role, j sensor.Job) sensor.Job {
	j.Deliver = func(r sensor.Reading) { v.deliver(as, r) }
	j.Timed = func(took time.Duration, missed uint64) { v.timed(as, j.Source, took, missed) }
	if as == heightRole {
		j.Interval = &v.gauge.interval
	}
	return j
}

// timed notes how long a reading took, how many did not come in time, and how often the
// sensor was brought back.
func (v *vessel) timed(as role, source sensor.Source, took time.Duration, missed uint64) {
	v.app.samplesLate.Add(missed)
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.readings.of(as)
	if s == nil {
		return // the first reading is on its way
	}
	s.ReadSeconds = took.Seconds()
	if d, ok := source.(*sensor.Driver); ok {
		s.Restarts, s.Resets = d.Recovery().Restarts, d.Recovery().Resets
	}
}

// deliver takes a reading in. A height is joined with the fresh temperatures
// into a sample.
func (v *vessel) deliver(as role, r sensor.Reading) {
	v.app.lastReadAt.note()
	v.mu.Lock()
	defer v.mu.Unlock()
	now := v.app.opt.Clock.Now() // with the lock: the clock is not set meanwhile
	v.readings.note(as, r, now)
	if as != heightRole {
		return
	}
	if v.levelling(now) { // water or the floor, not dough
		v.gauge.level = append(v.gauge.level, r)
		return
	}
	v.observe(SampleOf(now, r, v.readings.fresh(doughRole, now, freshFor), v.readings.fresh(airRole, now, freshFor)))
}

// airFor is how long an air temperature and humidity correct the speed of sound.
// It is long, because a kitchen's air changes slowly, and to fall back on an
// assumed one for a missed reading would move every distance at once.
const airFor = time.Hour

// airNow is the air over a vessel for the speed of sound: its temperature in
// Celsius and its humidity (ratio), as they were measured last; NaN when that is
// too long ago. ok tells whether the temperature is known.
func (v *vessel) airNow(now time.Time) (celsius, humidity float64, ok bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	celsius = v.readings.lately(airRole, now, airFor)
	return celsius, v.readings.lately(humidityRole, now, airFor), !math.IsNaN(celsius)
}

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
