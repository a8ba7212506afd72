package virtual

import (
	"math"
	"time"

	"tidemark/sensor"
)

// The invented loaf: its core nears a little below boiling in the oven, and the
// kitchen's air on the rack.
const (
	ovenCoreC   = 98.0
	heatMinutes = 13.0
	coolPerHour = 1.05
	coreNoiseC  = 0.15
	coreStepC   = 0.25
)

// loaf is the loaf of the story: when it went into the oven and came out.
type loaf struct {
	in, out time.Time // zero before
	fromC   float64   // its core when it went in
}

// Load puts the loaf with its probe into the oven.
func (k *Kitchen) Load(at time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.loaf = loaf{in: at, fromC: k.scenario.Room.roomC(at) + 1}
}

// TakeOut takes the loaf out of the oven.
func (k *Kitchen) TakeOut(at time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.loaf.in.IsZero() && k.loaf.out.IsZero() {
		k.loaf.out = at
	}
}

// Core reads the probe in the loaf at t; Missing before the loaf was loaded.
func (k *Kitchen) Core(t time.Time) sensor.Reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.loaf.in.IsZero() || t.Before(k.loaf.in) {
		return taken(t, sensor.Temperature, 0, sensor.Fault(sensor.Missing, "probe.unplugged"))
	}
	c := k.coreC(t) + coreNoiseC*k.dice("loaf", "core", t).NormFloat64()
	return taken(t, sensor.Temperature, math.Round(c/coreStepC)*coreStepC, nil)
}

// coreC is the true core; k.mu is held.
func (k *Kitchen) coreC(t time.Time) float64 {
	l := k.loaf
	heated := func(t time.Time) float64 {
		return ovenCoreC - (ovenCoreC-l.fromC)*math.Exp(-t.Sub(l.in).Minutes()/heatMinutes)
	}
	if l.out.IsZero() || t.Before(l.out) {
		return heated(t)
	}
	room := k.scenario.Room.roomC(t)
	return room + (heated(l.out)-room)*math.Exp(-coolPerHour*t.Sub(l.out).Hours())
}
