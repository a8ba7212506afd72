// Package virtual is a kitchen of our own invention: vessels with dough and
// starter that ferment, a room whose air warms and cools, people who fold, open
// windows and lift lids, and sensors with the faults that real ones have. It
// serves the demo and tests that need no hardware.
//
// Nothing in it was measured. Its process model is made for plausibility and is
// on purpose another one than the estimator fits: food that runs out, growth
// and gas that follow temperature, a dough that holds less gas as it ripens.
//
// Units: temperatures in Celsius, heights and distances in mm, volumes in
// litres, rates per hour. Times are those the caller gives; the package has no
// clock of its own.
//
// Invariants: the same scenario, seed and moments give the same readings in
// whatever order the sources are read. Time never runs back: an earlier moment
// is served from the latest state.
package virtual

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"tidemark/sensor"
)

// step is how finely time is cut for the process.
const step = 5 * time.Second

// Kitchen is a scenario under way. It may be used by several goroutines.
type Kitchen struct {
	scenario Scenario
	seed     uint64

	mu        sync.Mutex
	now       time.Time
	nextEvent int
	content   map[string]*content
	loaf      loaf
}

// New starts a scenario. The seed decides noise and missed readings.
func New(s Scenario, seed uint64) *Kitchen {
	slices.SortStableFunc(s.Events, func(a, b Event) int { return a.At.Compare(b.At) })
	k := &Kitchen{scenario: s, seed: seed, now: s.Start, content: map[string]*content{}}
	for _, v := range s.Vessels {
		k.content[v.Name] = &content{celsius: s.Room.roomC(s.Start)}
	}
	return k
}

// Scenario is the story that the kitchen plays.
func (k *Kitchen) Scenario() Scenario { return k.scenario }

// Events lists what people do, in order of time.
func (k *Kitchen) Events() []Event { return slices.Clone(k.scenario.Events) }

// runTo runs the process on, event by event. k.mu is held.
func (k *Kitchen) runTo(t time.Time) {
	for k.now.Before(t) {
		for k.nextEvent < len(k.scenario.Events) && !k.scenario.Events[k.nextEvent].At.After(k.now) {
			k.perform(k.scenario.Events[k.nextEvent])
			k.nextEvent++
		}
		dt := min(step, t.Sub(k.now))
		for _, v := range k.scenario.Vessels {
			c := k.content[v.Name]
			c.step(v, k.scenario.Room.roomC(k.now), dt)
		}
		k.now = k.now.Add(dt)
	}
}

// perform carries out an event.
func (k *Kitchen) perform(a Event) {
	c, ok := k.content[a.Vessel]
	if !ok {
		return
	}
	switch a.Kind {
	case "start":
		v, _ := k.scenario.vessel(a.Vessel)
		*c = fresh(v)
	case "fold":
		c.fold()
	case "end":
		c.present = false
	}
}

// truth is what a perfect sensor would see of a vessel.
type truth struct {
	Present   bool
	RiseRatio float64 // volume over the volume at the start; NaN when nothing is in it
	HeightMM  float64 // of the surface above the floor, as a sensor sees it
	DoughC    float64
	AirC      float64
}

// Truth gives the true state of a vessel at t.
func (k *Kitchen) Truth(vessel string, t time.Time) (truth, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	v, ok := k.scenario.vessel(vessel)
	if !ok {
		return truth{}, fmt.Errorf("virtual: no vessel %q in this kitchen", vessel)
	}
	k.runTo(t)
	return k.truth(v), nil
}

// truth is Truth for a vessel; k.mu is held.
func (k *Kitchen) truth(v Vessel) truth {
	c := k.content[v.Name]
	out := truth{Present: c.present, RiseRatio: math.NaN(), DoughC: c.celsius, AirC: k.scenario.Room.roomC(k.now)}
	if c.present {
		out.RiseRatio = c.riseRatio()
		out.HeightMM = heightMM(v.Profile, v.FillL*out.RiseRatio) + c.ballMM
	} else {
		out.DoughC = out.AirC
	}
	return out
}

// Distance reads the height sensor of a vessel at t.
func (k *Kitchen) Distance(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "distance", sensor.Distance, t)
}

// Dough reads the probe in a vessel at t.
func (k *Kitchen) Dough(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "dough", sensor.Temperature, t)
}

// Air reads the air thermometer beside a vessel at t.
func (k *Kitchen) Air(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "air", sensor.Temperature, t)
}

// read runs the kitchen on to t and reads one of its sensors.
func (k *Kitchen) read(vessel, what string, q sensor.Quantity, t time.Time) sensor.Reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	r := sensor.Reading{Quantity: q, Wall: t}
	v, ok := k.scenario.vessel(vessel)
	if !ok {
		return r.Fault(sensor.Missing, "demo.vessel", "vessel", vessel)
	}
	k.runTo(t)
	dice := k.dice(vessel, what, t)
	truth := k.truth(v)
	switch what {
	case "distance":
		return k.senseDistance(r, v, truth, dice)
	case "dough":
		return senseTemperature(r, truth.DoughC, dice)
	default:
		return senseTemperature(r, truth.AirC, dice)
	}
}

// dice gives the chance that belongs to one reading, whatever was read before.
func (k *Kitchen) dice(vessel, what string, t time.Time) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%s/%d", vessel, what, k.seed)
	return rand.New(rand.NewPCG(h.Sum64(), uint64(t.UnixMilli())))
}

// senseDistance puts the faults of a distance sensor on the truth.
func (k *Kitchen) senseDistance(r sensor.Reading, v Vessel, truth truth, dice *rand.Rand) sensor.Reading {
	mm := v.FloorMM - truth.HeightMM
	switch chance := dice.Float64(); {
	case k.lidOff(v.Name, r.Wall):
		if chance < 0.4 {
			return r.Fault(sensor.OutOfRange, "range.empty")
		}
		mm = 320 + 500*dice.Float64() // the sensor lies on the table and looks across it
	case chance < v.MissRatio:
		return r.Fault(sensor.ReadFailed, "echo.nothing")
	case chance < v.MissRatio+v.RimRatio:
		mm = 18 + 14*dice.Float64()
	}
	mm += v.NoiseMM * dice.NormFloat64()
	return r.Good(math.Round(mm), 0)
}

// The 1-wire probes of the kitchen: standard deviation of one temperature, and share of
// readings that fail.
const (
	noiseC     = 0.04
	missRatioC = 0.004
)

// senseTemperature puts the faults of a 1-wire probe on the truth.
func senseTemperature(r sensor.Reading, celsius float64, dice *rand.Rand) sensor.Reading {
	if dice.Float64() < missRatioC {
		return r.Fault(sensor.BadData, "probe.checksum")
	}
	celsius += noiseC * dice.NormFloat64()
	return r.Good(math.Round(celsius*16)/16, 0)
}

// lidOff tells whether the sensor looks elsewhere.
func (k *Kitchen) lidOff(vessel string, t time.Time) bool {
	for _, l := range k.scenario.LidsOff {
		if l.Vessel == vessel && !t.Before(l.From) && t.Before(l.Until) {
			return true
		}
	}
	return false
}
