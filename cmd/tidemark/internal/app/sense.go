package app

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/estimator"
	"tidemark/sensor"
	"tidemark/sensor/source"
	"tidemark/web"
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
	v.app.lastReadAt.note()
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

// lastReading is what a sensor of a vessel gave last, and how it does. Times are by the
// steady clock.
type lastReading struct {
	web.SensorHealth // but for what a reading says itself
	role             role
	reading          sensor.Reading
	at               time.Time
	good             float64   // last value measured
	goodAt           time.Time // zero when nothing was measured yet
}

// lastReadings are those of the sensors of one vessel: few, so a list, in the order in
// which they were first read.
type lastReadings []lastReading

// of finds a sensor's entry; nil when it was not read yet.
func (l lastReadings) of(as role) *lastReading {
	for i := range l {
		if l[i].role == as {
			return &l[i]
		}
	}
	return nil
}

// note takes in one reading.
func (l *lastReadings) note(as role, r sensor.Reading, now time.Time) {
	s := l.of(as)
	if s == nil {
		*l = append(*l, lastReading{role: as, SensorHealth: web.SensorHealth{Sensor: string(as), ReadSeconds: nan(), Readings: map[string]uint64{}}})
		s = &(*l)[len(*l)-1]
	}
	s.reading, s.at = r, now
	s.Readings[string(r.Status)]++
	if r.Status == sensor.OK {
		s.good, s.goodAt, s.LastOK = r.Value, now, r.Wall
	}
}

// clockStep moves it in time.
func (l lastReadings) clockStep(m alert.ClockStep) {
	for i := range l {
		m.Times(&l[i].at, &l[i].goodAt)
	}
}

// fresh returns the last reading in a role unless it is older than a span; then a
// reading that is none.
func (l lastReadings) fresh(as role, now time.Time, span time.Duration) sensor.Reading {
	s := l.of(as)
	if s == nil || now.Sub(s.at) > span {
		return sensor.Reading{Status: sensor.Stale}
	}
	return s.reading
}

// lately is the last value measured in a role unless that is longer ago than a span;
// then NaN.
func (l lastReadings) lately(as role, now time.Time, span time.Duration) float64 {
	s := l.of(as)
	if s == nil || s.goodAt.IsZero() || now.Sub(s.goodAt) > span {
		return nan()
	}
	return s.good
}

// fault is why a sensor gave nothing when it was read last; empty when it did or was
// not read.
func (l lastReadings) fault(as role) string {
	if s := l.of(as); s != nil && s.reading.Status != sensor.OK {
		return string(s.reading.Status)
	}
	return ""
}

// silent lists the thermometers that gave nothing when they were read last.
func (l lastReadings) silent() []alert.Silent {
	var out []alert.Silent
	for _, as := range []role{doughRole, airRole} {
		if l.fault(as) != "" {
			out = append(out, alert.Silent{Sensor: string(as), Since: l.of(as).goodAt})
		}
	}
	return out
}

// forWeb copies how the sensors do for a page.
func (l lastReadings) forWeb(words *text.Localizer) []web.SensorHealth {
	out := make([]web.SensorHealth, 0, len(l))
	for _, s := range l {
		h := s.SensorHealth
		h.Readings = maps.Clone(h.Readings)
		h.Quantity, h.Status, h.Reason = string(s.reading.Quantity), string(s.reading.Status), words.Error(s.reading.Err)
		out = append(out, h)
	}
	return out
}
