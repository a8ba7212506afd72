package estimator

import (
	"math"
	"math/rand/v2"
	"time"

	"tidemark/estimator/geometry"
)

// sim is an invented rise for tests. Its process model is not the forecast's:
// sugar, cells and a leaking gas store as differential equations, so that lag,
// speed and ceiling come out of it instead of going in.
type sim struct {
	profile  *geometry.Profile
	floorMM  float64
	startL   float64
	holds    Holds
	noiseMM  float64
	stepMM   float64       // the sensor rounds to this; 0 not at all
	every    time.Duration // sampling
	doughC   func(hours float64) float64
	speed    float64 // cells' growth per hour at 24 C
	cells    float64 // at the start, share of the final count
	food     float64 // gas the food can make, share of the start volume
	leak     float64 // share of the gas lost per hour
	collapse float64 // hours after the food is gone when the walls give way; 0 never
	knocks   []knockAt
	seed     uint64
	mound    float64 // at the start the middle stands higher by this share of the level
	spreads  float64 // and sinks with this time constant, hours
	hours    float64
	disturb  disturbance // faults; nil none
	events   map[time.Duration]Event
	pace     func(hours float64) time.Duration // time to the next estimate; nil for the step given to run
}

// disturbance is what a sensor reads in place of the level at an hour, if anything.
type disturbance func(hours, levelMM float64, rng *rand.Rand) (distanceMM float64, ok bool)

// knockAt is a fold: at an hour the gas loses a share.
type knockAt struct{ at, share float64 }

var simEpoch = time.Date(2026, 3, 7, 8, 0, 0, 0, time.UTC)

// truth is the true rise of a simulation, one value a second.
type truth struct {
	rise []float64
	v0   float64
}

// at is the true rise at an hour.
func (t *truth) at(hours float64) float64 {
	i := int(hours * 3600)
	return t.rise[min(max(i, 0), len(t.rise)-1)]
}

// reaches is the first hour with the rise; +Inf if never.
func (t *truth) reaches(percent float64) float64 {
	for i, r := range t.rise {
		if r >= percent {
			return float64(i) / 3600
		}
	}
	return math.Inf(1)
}

// peak is the highest rise and its hour.
func (t *truth) peak() (hours, percent float64) {
	best := 0
	for i, r := range t.rise {
		if r > t.rise[best] {
			best = i
		}
	}
	return float64(best) / 3600, t.rise[best]
}

// warmth is an Arrhenius speed with a fade above 34 C, 1 at 24 C: not one of the
// responses the estimator knows.
func warmth(c float64) float64 {
	k := math.Exp(8500 * (1/297.15 - 1/(c+273.15)))
	return k / (1 + math.Exp((c-35)/1.3))
}

// grow integrates the process, a second a step.
func (s *sim) grow() truth {
	const dt = 1.0 / 3600
	n := int(s.hours*3600) + 1
	out := truth{rise: make([]float64, n), v0: s.startL}
	cells, food, gas, goneAt := s.cells, 1.0, 0.0, math.Inf(1)
	awake := 0.0
	knocks := s.knocks
	for i := range n {
		h := float64(i) * dt
		out.rise[i] = 100 * gas
		w := warmth(s.doughC(h))
		awake += (1 - awake) * 1.1 * w * dt // enzymes and cells get going
		eat := s.speed * w * awake * food / (food + 0.25)
		cells += cells * eat * (1 - cells) * dt
		made := s.food * 0.9 * eat * cells * dt
		food = max(food-made/s.food, 0)
		leak := s.leak * gas
		if food < 0.08 && h < goneAt {
			goneAt = h
		}
		if s.collapse > 0 && h > goneAt+s.collapse {
			leak += 0.45 * gas * min((h-goneAt-s.collapse)/0.5, 1)
		}
		gas += made - leak*dt
		for len(knocks) > 0 && h >= knocks[0].at {
			gas *= 1 - knocks[0].share
			knocks = knocks[1:]
		}
	}
	return out
}

// sample is the reading at an hour.
func (s *sim) sample(t *truth, hours float64, rng *rand.Rand) Sample {
	level := s.profile.Height(t.v0 * (1 + t.at(hours)/100))
	if s.mound > 0 {
		level *= 1 + s.mound*math.Exp(-hours/s.spreads)
	}
	out := Sample{
		Time:   simEpoch.Add(time.Duration(hours * float64(time.Hour))),
		DoughC: math.Round((s.doughC(hours)+0.03*rng.NormFloat64())*16) / 16,
		AirC:   s.doughC(hours) - 1,
	}
	d := s.floorMM - level + s.noiseMM*rng.NormFloat64()
	if s.disturb != nil {
		if odd, ok := s.disturb(hours, level, rng); ok {
			d = odd
		}
	}
	if s.stepMM > 0 {
		d = math.Round(d/s.stepMM) * s.stepMM
	}
	out.DistanceMM = d
	return out
}

// plain is a tub of dough that doubles in about five hours.
func plain() sim {
	p, err := geometry.TaperedRound(140, 170, 180)
	if err != nil {
		panic(err)
	}
	return sim{
		profile: p, floorMM: 240, startL: 1.0, holds: Dough, noiseMM: 1, every: 10 * time.Second,
		doughC: func(float64) float64 { return 24 }, speed: 1.0, cells: 0.12, food: 2.2, leak: 0.03,
		collapse: 1.5, seed: 1, hours: 9,
	}
}

// config is the configuration to watch it with.
func (s *sim) config() Config {
	return Config{Profile: s.profile, FloorMM: s.floorMM, Holds: s.holds, TargetPercent: 100, AutoStart: true}
}

// run feeds the whole rise and asks for an estimate every step.
func (s *sim) run(e *Estimator, step time.Duration, each func(hours float64, est Estimate)) truth {
	t := s.grow()
	rng := rand.New(rand.NewPCG(s.seed, 99))
	end := time.Duration(s.hours * float64(time.Hour))
	next := time.Duration(0)
	for at := time.Duration(0); at < end; at += s.every {
		smp := s.sample(&t, at.Hours(), rng)
		for when, ev := range s.events {
			if when >= at && when < at+s.every {
				smp.Event = ev
			}
		}
		e.Observe(smp)
		if at >= next {
			each(at.Hours(), e.Estimate(smp.Time))
			next += step
			if s.pace != nil {
				next = at + s.pace(at.Hours())
			}
		}
	}
	return t
}
