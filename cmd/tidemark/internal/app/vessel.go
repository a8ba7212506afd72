package app

import (
	"math"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
)

// vessel is one watched vessel: what is known of it, the rules that look at it, and
// what of it is kept.
type vessel struct {
	app  *App
	name string

	mu            sync.Mutex // guards all below
	config        config.Vessel
	session       *bake.Session
	evaluator     *alert.Evaluator
	state         bake.State   // when it was moved on last
	around        bake.Around  // what was seen elsewhere then
	readings      lastReadings // of the sensors, live only
	gauge         *gauge       // measures the vessel; nil unless its height is read here
	awake         time.Time    // since when its sensors are asked without a break; zero when its samples reach up to the start of this watch
	temperatureAt time.Time    // when the temperatures of a vessel told by eye were taken
	folding       bool         // its journal is being folded beside
	former        *former      // of a rise that goes on from an earlier run, until it was folded
	stored        stored
}

// former is what an earlier run knew last of a rise, shown to the rules until its
// journal is folded.
type former struct {
	rise       bake.Rise
	warmUpFrom time.Time // from when on the rules are shown the fold; zero for never
}

// newVessel builds the watch of one vessel.
func (a *App) newVessel(c config.Vessel) (*vessel, error) {
	s, err := bake.NewSession(a.describe(c, !a.opt.StartTold), bake.Learned{})
	if err != nil {
		return nil, err
	}
	return &vessel{app: a, name: c.Name, config: c, session: s, state: s.State(), around: bake.Around{CoreC: nan()}, evaluator: alert.NewEvaluator(a.words, c.LostAfter)}, nil
}

// hold finds a vessel and locks it.
func (a *App) hold(name string) (*vessel, error) {
	v, err := a.vessel(name)
	if err == nil {
		v.mu.Lock()
	}
	return v, err
}

// describe is what the session knows of a vessel from its configuration. auto lets
// the first valid height begin a rise.
func (a *App) describe(v config.Vessel, auto bool) bake.Vessel {
	c := estimatorConfig(v, auto)
	out := bake.Vessel{Name: v.Name, Estimator: c, Batch: v.Batch, Feed: v.Feed, AltitudeM: a.opt.Config.Household.AltitudeM, Demo: a.opt.Demo}
	out.ProofOf, out.ProofBasis = proofOf(&v)
	bed, wake := a.opt.Config.Household.Sleep()
	out.Hours = bake.Hours{Zone: a.zone(), BedMin: bed, WakeMin: wake}
	return out
}

// proofOf is whose final proof a vessel shows, and how; empty for none.
func proofOf(v *config.Vessel) (string, bake.ProofBasis) {
	switch {
	case v.ProofOf != "":
		return v.ProofOf, bake.BasketBasis
	case v.SampleOf != "":
		return v.SampleOf, bake.SampleBasis
	}
	return "", ""
}

// estimatorConfig carries over what the estimator needs to know of a vessel.
func estimatorConfig(v config.Vessel, autoStart bool) estimator.Config {
	c := estimator.Config{
		Profile:       v.Profile,
		FloorMM:       v.FloorMM,
		Holds:         v.Holds,
		TargetPercent: v.TargetPercent,
		Lead:          v.Lead,
		LostAfter:     v.LostAfter,
		AutoStart:     autoStart,
		ByHand:        v.ByHand,
	}
	for _, row := range v.TargetTable {
		c.TargetPercent = 0 // the table decides
		c.TargetTable = append(c.TargetTable, estimator.TargetPoint{DoughC: row[0], RisePercent: row[1]})
	}
	return c
}

// observe takes one sample in.
func (v *vessel) observe(x estimator.Sample) {
	v.session.Observe(x)
	v.evaluator.Observe(x.Time, x.DoughC, x.AirC)
}

// advance moves the vessel to now and returns what there is to tell. around is what
// other vessels see of its final proof, loaf the one it stands for.
func (v *vessel) advance(now time.Time, sys alert.System, around bake.Around, loaf alert.Loaf) []alert.Change {
	v.around = around
	if v.config.ByHand { // no height comes with which the temperatures would
		v.observeTemperature(now)
	}
	v.moveOn(now)
	if v.session.Adrift() {
		return nil
	}
	return v.evaluator.Evaluate(v.input(v.state, sys, loaf))
}

// temperatureEvery is how often the temperatures of a vessel are taken whose level is told by eye.
const temperatureEvery = time.Minute

// observeTemperature takes in how warm it is in a vessel that no sensor sees.
func (v *vessel) observeTemperature(now time.Time) {
	if now.Sub(v.temperatureAt) < temperatureEvery {
		return
	}
	v.temperatureAt = now
	v.observe(estimator.Sample{Time: later(now, v.state.Estimate.Time), DistanceMM: nan(), DoughC: value(v.readings.fresh(doughRole, now, freshFor)), AirC: value(v.readings.fresh(airRole, now, freshFor))})
}

// moveOn brings the state and what is kept of it up to now.
func (v *vessel) moveOn(now time.Time) {
	v.state = v.session.At(later(now, v.state.Estimate.Time), v.around)
	v.keep(now)
}

// input is what the rules see of a state.
func (v *vessel) input(s bake.State, sys alert.System, loaf alert.Loaf) alert.Input {
	in := alert.Input{State: s, RiseID: alarmRise(s), Loaf: loaf, System: sys, Silent: v.readings.silent(), HeightFault: v.readings.fault(heightRole)}
	if v.former != nil { // what was so stays so until the journal is folded
		in.Estimate.Started, in.Estimate.Phase, in.Estimate.PhaseSince = v.former.rise.StartedAt, v.former.rise.Phase, v.former.rise.PhaseSince
		in.Estimate.RisePercent, in.Estimate.RiseSD, in.Estimate.Ready = nan(), nan(), estimator.Window{}
	}
	return in
}

// alarmRise is the rise that alarms belong to: the one under way, or the one whose
// process goes on to the oven; 0 without either.
func alarmRise(s bake.State) int64 {
	if s.RiseID == 0 && s.Process == nil {
		return 0
	}
	return s.Rise.ID
}

// foldAgain folds the journal once more when it has changed: beside the watch in a live
// one, else at once. v.mu is held.
func (v *vessel) foldAgain() {
	if !v.session.Stale() || v.folding {
		return
	}
	a, now := v.app, v.app.opt.Clock.Now()
	fold, follow := v.session.Again()
	each, past := v.former.warmUp()
	if !a.opt.Live {
		fresh, err := fold(now, each)
		v.takeFold(now, fresh, err, follow, past)
		return
	}
	v.folding = true
	a.work.Go(func() {
		a.foldMu.Lock() // one after the other: a small machine has one core
		fresh, err := fold(now, each)
		a.foldMu.Unlock()
		v.mu.Lock()
		defer v.mu.Unlock()
		v.folding = false
		v.takeFold(a.opt.Clock.Now(), fresh, err, follow, past)
		a.updates.notify()
	})
}

// takeFold puts a folded session in the place of the stale one, unless folding ended
// with err. One whose journal changed meanwhile is folded at the next advance.
func (v *vessel) takeFold(now time.Time, fresh *bake.Session, err error, follow func(*bake.Session) bool, past func() []alert.Input) {
	if err != nil {
		v.app.log.Error("a journal cannot be folded", "vessel", v.name, "error", err)
		return
	}
	if !follow(fresh) {
		return
	}
	v.session, v.former = fresh, nil
	v.evaluator.WarmUp(past())
	v.state = fresh.State()
	v.moveOn(now)
}

// later returns the later of two times.
func later(x, y time.Time) time.Time {
	if x.Before(y) {
		return y
	}
	return x
}

// nan is a value that is not known.
func nan() float64 { return math.NaN() }

// around copies what is measured elsewhere of a vessel's bake. No vessel may be
// locked.
func (a *App) around(of string, now time.Time) bake.Around {
	out := bake.Around{CoreC: nan()}
	for _, v := range a.order {
		v.mu.Lock()
		e := v.state.Estimate
		if of != v.name {
			out.Away = append(out.Away, bake.Absences(v.state.Events)...)
		}
		switch of {
		case v.name:
			out.CoreC = value(v.readings.fresh(loafRole, now, freshFor))
		case v.config.ProofOf:
			out.Basket = &e
		case v.config.SampleOf:
			out.Sample = &e
		}
		v.mu.Unlock()
	}
	return out
}

// loafOf is the loaf for which a sample jar stands. No vessel may be locked.
func (a *App) loafOf(sample *vessel) (l alert.Loaf) {
	of, basis := proofOf(&sample.config)
	v := a.vessels[of]
	if v == nil || basis != bake.SampleBasis {
		return l
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if p := v.state.Proof; p != nil && p.Basis == bake.SampleBasis {
		l.By = p.By
	}
	l.Told = v.state.Process != nil && (!l.By.IsZero() || v.state.After != nil && v.state.After.Stage != bake.Proofing)
	return l
}
