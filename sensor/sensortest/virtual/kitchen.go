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
	pots      map[string]*pot // by name
	loaf      loaf
}

// pot is a vessel with what is in it.
type pot struct {
	Vessel
	content
}

// New starts a scenario. The seed decides noise and missed readings.
func New(s Scenario, seed uint64) *Kitchen {
	slices.SortStableFunc(s.Events, func(a, b Event) int { return a.At.Compare(b.At) })
	k := &Kitchen{scenario: s, seed: seed, now: s.Start, pots: map[string]*pot{}}
	for _, v := range s.Vessels {
		k.pots[v.Name] = &pot{v, content{celsius: s.Room.roomC(s.Start)}}
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
		for ; k.nextEvent < len(k.scenario.Events) && !k.scenario.Events[k.nextEvent].At.After(k.now); k.nextEvent++ {
			e := k.scenario.Events[k.nextEvent]
			if p := k.pots[e.Vessel]; p != nil {
				p.perform(e.Kind)
			}
		}
		dt := min(step, t.Sub(k.now))
		for _, p := range k.pots {
			p.step(k.scenario.Room.roomC(k.now), dt)
		}
		k.now = k.now.Add(dt)
	}
}

// perform carries out what a person does.
func (p *pot) perform(kind string) {
	switch kind {
	case "start":
		p.content = fresh(p.Vessel)
	case "fold":
		p.fold()
	case "end":
		p.present = false
	}
}

// surfaceMM is the height of the surface above the floor, as a sensor sees it; 0 when
// nothing is in the vessel.
func (p *pot) surfaceMM() float64 {
	if !p.present {
		return 0
	}
	return heightMM(p.Profile, p.FillL*p.riseRatio()) + p.ballMM
}

// Distance reads the height sensor of a vessel of the scenario at t.
func (k *Kitchen) Distance(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "distance", sensor.Distance, t, func(p *pot, _ float64, dice *rand.Rand) (float64, error) {
		mm := p.FloorMM - p.surfaceMM()
		switch chance := dice.Float64(); {
		case k.lidOff(vessel, t) && chance < 0.4:
			return 0, sensor.Fault(sensor.OutOfRange, "range.empty")
		case k.lidOff(vessel, t):
			mm = 320 + 500*dice.Float64() // the sensor lies on the table and looks across it
		case chance < p.MissRatio:
			return 0, sensor.Fault(sensor.ReadFailed, "echo.nothing")
		case chance < p.MissRatio+p.RimRatio:
			mm = 18 + 14*dice.Float64()
		}
		return math.Round(mm + p.NoiseMM*dice.NormFloat64()), nil
	})
}

// Dough reads the probe in a vessel of the scenario at t.
func (k *Kitchen) Dough(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "dough", sensor.Temperature, t, func(p *pot, roomC float64, dice *rand.Rand) (float64, error) {
		if !p.present {
			return senseC(roomC, dice)
		}
		return senseC(p.celsius, dice)
	})
}

// Air reads the air thermometer beside a vessel of the scenario at t.
func (k *Kitchen) Air(vessel string, t time.Time) sensor.Reading {
	return k.read(vessel, "air", sensor.Temperature, t, func(_ *pot, roomC float64, dice *rand.Rand) (float64, error) { return senseC(roomC, dice) })
}

// read runs the kitchen on to t and reads one of its sensors.
func (k *Kitchen) read(vessel, what string, q sensor.Quantity, t time.Time, sense func(p *pot, roomC float64, dice *rand.Rand) (float64, error)) sensor.Reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.runTo(t)
	v, err := sense(k.pots[vessel], k.scenario.Room.roomC(k.now), k.dice(vessel, what, t))
	return taken(t, q, v, err)
}

// taken returns a reading of the moment t.
func taken(t time.Time, q sensor.Quantity, v float64, err error) sensor.Reading {
	r := sensor.Taken(q, v, 0, err)
	r.Wall = t
	return r
}

// dice gives the chance that belongs to one reading, whatever was read before.
func (k *Kitchen) dice(vessel, what string, t time.Time) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%s/%d", vessel, what, k.seed)
	return rand.New(rand.NewPCG(h.Sum64(), uint64(t.UnixMilli())))
}

// The 1-wire probes of the kitchen: standard deviation of one temperature, and share of
// readings that fail.
const (
	noiseC     = 0.04
	missRatioC = 0.004
)

// senseC puts the faults of a 1-wire probe on a temperature.
func senseC(celsius float64, dice *rand.Rand) (float64, error) {
	if dice.Float64() < missRatioC {
		return 0, sensor.Fault(sensor.BadData, "probe.checksum")
	}
	return math.Round((celsius+noiseC*dice.NormFloat64())*16) / 16, nil
}

// lidOff tells whether the sensor of a vessel looks elsewhere.
func (k *Kitchen) lidOff(vessel string, t time.Time) bool {
	return slices.ContainsFunc(k.scenario.LidsOff, func(l lidOff) bool { return l.Vessel == vessel && !t.Before(l.From) && t.Before(l.Until) })
}
