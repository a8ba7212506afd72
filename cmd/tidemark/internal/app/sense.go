package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

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

// feed is one configured sensor with the vessel it belongs to.
type feed struct {
	vessel   string
	role     role
	quantity sensor.Quantity
	bus      string // what its readings share with others
	source   sensor.Source
}

// openFeeds opens every sensor of the configuration.
func (a *App) openFeeds(buses *source.Buses) ([]feed, error) {
	var feeds []feed
	for _, v := range a.opt.Config.Vessels {
		for _, s := range v.Sensors() {
			src, err := source.Open(s.Config, s.Quantity, a.sourceEnv(v.Name, buses))
			if err != nil {
				return nil, errors.Join(fmt.Errorf("vessel %s, %s sensor: %w", v.Name, s.Role, err), closeFeeds(feeds))
			}
			feeds = append(feeds, feed{v.Name, role(s.Role), s.Quantity, source.Bus(s.Config), src})
		}
		if v.Height != nil {
			w := a.vessels[v.Name]
			w.mu.Lock()
			w.gauge = &gauge{conf: v.Height}
			w.mu.Unlock()
		}
	}
	return feeds, nil
}

// closeFeeds releases every sensor.
func closeFeeds(feeds []feed) error {
	var err error
	for _, f := range feeds {
		err = errors.Join(err, f.source.Close())
	}
	return err
}

// sourceEnv is what the sensors of a vessel need from the machine.
func (a *App) sourceEnv(vessel string, buses *source.Buses) source.Env {
	return source.Env{SysfsRoot: a.opt.Config.Sysfs, Buses: buses, Air: func() (celsius, humidity float64, ok bool) {
		return a.vessels[vessel].airNow(a.opt.Clock.Now())
	}}
}

// sense reads the sensors until ctx ends: those of a bus one after the other, those that
// others feed when something is there.
func (a *App) sense(ctx context.Context, feeds []feed) {
	jobs := make([]sensor.Job, len(feeds))
	for i := range feeds {
		f := &feeds[i]
		jobs[i] = sensor.Job{
			Bus: f.bus, Source: f.source, Quantity: f.quantity, Every: a.opt.Config.SampleEvery,
			Interval: a.intervalOf(f),
			Deliver:  func(r sensor.Reading) { a.deliver(f.vessel, f.role, r) },
			Timed:    func(took time.Duration, missed uint64) { a.timed(f, took, missed) },
		}
	}
	sensor.Poll(ctx, jobs)
}

// timed notes how long a reading took, how many did not come in time, and how often the
// sensor was brought back.
func (a *App) timed(f *feed, took time.Duration, missed uint64) {
	a.samplesLate.Add(missed)
	v := a.vessels[f.vessel]
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.readings.of(f.role)
	if s == nil {
		return // the first reading is on its way
	}
	s.ReadSeconds = took.Seconds()
	if d, ok := f.source.(*sensor.Driver); ok {
		s.Restarts, s.Resets = d.Recovery().Restarts, d.Recovery().Resets
	}
}

// intervalOf lets a height be read faster while its vessel is measured.
func (a *App) intervalOf(f *feed) *sensor.Interval {
	if f.role != heightRole {
		return nil
	}
	v := a.vessels[f.vessel]
	v.mu.Lock()
	defer v.mu.Unlock()
	return &v.gauge.interval
}

// deliver takes a reading in. A height is joined with the fresh temperatures
// into a sample.
func (a *App) deliver(vessel string, as role, r sensor.Reading) {
	a.lastReadAt.note()
	v := a.vessels[vessel]
	v.mu.Lock()
	defer v.mu.Unlock()
	now := a.opt.Clock.Now() // with the lock: the clock is not set meanwhile
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
