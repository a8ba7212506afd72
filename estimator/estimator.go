package estimator

import (
	"fmt"
	"math"
	"time"

	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

// Estimator follows one vessel. It is pure: it has no clock and does no I/O.
// Its memory is constant. It must not be used by two goroutines at once.
type Estimator struct {
	cfg   Config
	clock clock
	noise noise
	dough thermo
	air   thermo

	rise   rise
	phases phases
	table  *kinetics.Responses
	fit    *forecast.Fit
	cached cached
	rises  int     // rises begun so far
	ended  bool    // the last rise was ended
	fanTo  float64 // the fan reaches to this rise too, percent; 0 for the mark alone

	rawLevelMM   float64
	lastSeen     float64 // hours; last believed reading
	everSeen     bool
	refusedSince int // readings turned down since
	lastRefused  float64
	lastReason   reason
	rejected     [reasons]int
}

// New builds an estimator, or says what is wrong with the configuration.
func New(cfg Config) (*Estimator, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("estimator: %w", err)
	}
	e := &Estimator{cfg: cfg.withDefaults(), table: kinetics.NewResponses()}
	e.noise = newNoise(0)
	e.dough.c, e.air.c = math.NaN(), math.NaN()
	e.rawLevelMM = math.NaN()
	e.rise.cfg = &e.cfg
	return e, nil
}

// Begin starts a new rise at a time, as a Start event does: the level there is
// 0 percent. All that is known of an earlier rise is dropped, what is known of
// the sensor stays.
func (e *Estimator) Begin(at time.Time) {
	if e.clock.epoch.IsZero() {
		e.clock.begin(at)
	}
	e.begin(at)
}

func (e *Estimator) begin(at time.Time) {
	t := e.clock.hours(at)
	e.fit = e.newFit()
	e.rise = newRise(&e.cfg, e.fit, t, &e.noise)
	e.phases = startPhases(e.cfg.Holds, t)
	e.cached = cached{}
	e.rejected = [reasons]int{}
	e.refusedSince = 0
	e.rises++
	e.ended = false
	e.rise.temper(t, e.dough.c, e.air.c)
}

// newFit starts a forecast.
func (e *Estimator) newFit() *forecast.Fit {
	prior := forecast.DefaultPrior(string(e.cfg.Holds))
	if e.cfg.Prior != nil {
		prior = *e.cfg.Prior
	}
	return forecast.New(prior, e.cfg.Profile, e.table)
}

// event does what a person told.
func (e *Estimator) event(s *Sample) {
	t := e.clock.hours(s.Time)
	r := &e.rise
	if s.Event == Start {
		e.begin(s.Time)
	}
	if !r.active {
		return
	}
	switch s.Event {
	case Fold:
		r.foldTold = t
		if !e.cfg.ByHand {
			r.acquire(acquireFold, t)
		}
	case Fridge, Counter:
		r.move(s.Event == Fridge, t)
	case Look:
		e.takeLook(t, s.Value)
	case End:
		e.end(t)
	}
}

// takeLook takes a look by eye, percent of the start volume.
func (e *Estimator) takeLook(t, risePercent float64) {
	if !(risePercent > -90 && risePercent <= 1000) {
		return
	}
	e.fit.Look(t-e.rise.start, risePercent, lookSD*(100+risePercent))
	e.rise.lookAt, e.rise.urgent = t, true
}

// end closes the rise; its last state stays readable.
func (e *Estimator) end(t float64) {
	e.rise.active, e.ended = false, true
	e.phases.enter(Ended, t)
}

// move notes that the vessel went into the cold or came back. The sensor may
// shift by more than the dough rises, so the level is looked for anew.
func (r *rise) move(in bool, t float64) {
	r.cold, r.coldAt, r.urgent = in, t, true
	if !r.cfg.ByHand {
		r.acquire(acquireMove, t)
	}
	r.fit.Cold(t-r.start, in)
}
