package app

import (
	"encoding/json"
	"math"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/history"
	"tidemark/web"
)

// keepEvery is the shortest time between two stored rows of one rise.
const keepEvery = 10 * time.Second

// pipe is one vessel's way from reading to warning.
type pipe struct {
	mu     sync.Mutex // guards all below
	vessel config.Vessel
	// nextShape has the floor and profile that count after the rise under way; nil
	// when they are those of vessel.
	nextShape *config.Vessel
	demo      bool
	// autoStart lets the first valid height begin a rise.
	autoStart bool
	// told says that somebody, or a plan, has begun the rise that is about to be
	// followed: it does not begin by itself.
	told    bool
	est     *estimator.Estimator
	watch   *alert.Evaluator
	process *bake.Process // nil when nobody chose one for this rise
	// processRise is the rise the process began with; the process outlives it.
	processRise int64
	plan        *followed // nil when nobody took one on
	keep        keeper
	cold        bool                 // moved into the fridge
	goesOn      bool                 // its samples reach up to the start of this watch
	prior       *forecast.Prior      // what past rises teach; nil for the published one
	shop        *forecast.Workshop   // where its forecast works, with those of the others
	ended       func(r history.Rise) // told of a finished rise; nil when nothing learns
	health      health
	taken       takenIn // last readings of the sensors, live only
	gauge       *gauge  // measures the vessel; nil unless its height is read here
	deeds       []web.Deed
	named       string      // what a person called the batch or feeding that begins
	link        link        // for whose final proof it stands
	after       *bake.After // the bake after its bulk; nil when there is none
	care        *bake.Care  // of a fed starter
	keeping     keeping     // how a starter is kept
	bulkC       float64     // the dough when it was last seen in its bulk; 0 before
	altitudeM   float64     // of the kitchen
	trackKept   time.Time   // when the track of the bake was last written down

	rise    history.Rise // the rise under way; ID 0 when none
	keptL   float64      // its start volume when it was last stored
	last    estimator.Estimate
	steps   []bake.Step
	lastRow time.Time
}

// newPipe builds the pipe of one vessel. All pipes forecast in one workshop.
func newPipe(v config.Vessel, rules *alert.Evaluator, o Options, keep keeper, shop *forecast.Workshop) (*pipe, error) {
	p := &pipe{vessel: v, demo: o.Demo, autoStart: !o.StartTold, keep: keep, shop: shop, watch: rules,
		link: linkOf(v.ProofOf, v.SampleOf), altitudeM: o.Config.Household.AltitudeM}
	est, err := p.newEstimator()
	if err != nil {
		return nil, err
	}
	p.est, p.last = est, est.Estimate(time.Time{}) // nothing is known before the first reading
	return p, nil
}

// newEstimator builds an estimator that knows nothing yet but the vessel and
// what past rises taught.
func (p *pipe) newEstimator() (*estimator.Estimator, error) {
	c := estimatorConfig(p.vessel, p.autoStart)
	c.Workshop = p.shop
	est, err := estimator.New(c)
	if err == nil && p.prior != nil {
		est.SetPrior(*p.prior)
	}
	if err == nil {
		est.SetFanTo(p.beyond())
	}
	return est, err
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
	}
	for _, row := range v.TargetTable {
		c.TargetPercent = 0 // the table decides
		c.TargetTable = append(c.TargetTable, estimator.TargetPoint{DoughC: row[0], RisePercent: row[1]})
	}
	if v.Batch != nil {
		if n, err := v.Batch.Numbers(); err == nil {
			c.BatchVolumeL = n.StartVolumeL
		}
	}
	return c
}

// observe takes one sample in.
func (p *pipe) observe(s estimator.Sample) {
	verdict := p.est.Observe(s)
	p.watch.Observe(s.Time, s.DoughC, s.AirC)
	p.cold = coldAfter(p.cold, s.Event)
	p.keeping.stay.Follow(s.Time, s.Event, s.DoughC, s.AirC)
	p.store(s, verdict)
}

// store keeps a sample, at most one per keepEvery, events always.
func (p *pipe) store(s estimator.Sample, verdict estimator.Verdict) {
	if p.rise.ID == 0 || (s.Event == estimator.NoEvent && s.Time.Sub(p.lastRow) < keepEvery) {
		return
	}
	p.lastRow = s.Time
	p.keep.row(p.rise.ID, history.Row{
		Time: s.Time, DistanceMM: finiteOr(s.DistanceMM, nan()), DoughC: s.DoughC, AirC: s.AirC,
		RisePercent: p.last.RisePercent, RiseSD: p.last.RiseSD, EquivHours: p.last.EquivalentHours,
		Rejected: verdict.Reason, Event: s.Event,
	})
}

// advance moves the vessel to now and returns what there is to tell. seen is
// what others see of its final proof, bread what it is to the loaf of another.
func (p *pipe) advance(now time.Time, sys alert.System, seen aid, bread alert.Bread) []alert.Change {
	p.estimateNow(now)
	p.followBread(now, seen)
	p.followProcess(now)
	p.tellAfter(now)
	p.care = p.tend()
	bread.After, bread.Care, bread.Weak = p.after, p.care, len(p.keeping.findings) > 0
	return p.watch.Evaluate(alert.Input{
		Vessel: p.vessel.Name, Holds: p.vessel.Holds, RiseID: p.alarmRise(), Now: now,
		Lead: p.vessel.Lead, Estimate: p.last, Steps: p.steps, InFridge: p.cold, System: sys, Silent: p.taken.silent(), HeightFault: p.taken.fault(heightRole),
		Bread: bread,
		Plan:  p.planNow(),
	})
}

// estimateNow brings the estimate and the stored rise up to now.
func (p *pipe) estimateNow(now time.Time) {
	p.last = p.est.Estimate(now)
	p.followRise()
}

// alarmRise is the rise that alarms belong to: the one under way, or the one
// whose process goes on to the oven.
func (p *pipe) alarmRise() int64 {
	if p.rise.ID == 0 && p.process != nil {
		return p.processRise
	}
	return p.rise.ID
}

// followRise begins, updates and ends the stored rise as the estimate moves.
func (p *pipe) followRise() {
	e := &p.last
	if p.rise.ID != 0 && !e.Started.Equal(p.rise.StartedAt) {
		p.closeRise(e.Time)
	}
	if e.Started.IsZero() {
		return
	}
	if p.rise.ID == 0 {
		if e.Phase == estimator.Ended || e.Phase == estimator.Idle {
			return
		}
		p.keeping.feed = p.feedNow()
		p.rise = history.Rise{Batch: p.batchJSON(), Vessel: p.vessel.Name, Holds: p.vessel.Holds, StartedAt: e.Started, TargetPercent: e.TargetPercent, Demo: p.demo}
		p.rise.ID = p.keep.begin(p.rise)
		p.keep.sensor(p.vessel.Name, p.est.Sensor())
		p.named = ""
		p.lastRow = time.Time{}
		p.deeds = nil
		if !p.told {
			p.beganByItself()
		}
		p.told = false
		if p.process != nil {
			p.processRise = p.rise.ID
			p.keep.process(p.processRise, *p.process)
			p.planBegan()
		}
	}
	if p.updateRise() || p.baselineMoved() {
		p.keptL = p.rise.BaselineL
		p.keep.update(p.rise)
	}
	if e.Phase == estimator.Ended {
		p.closeRise(e.Time)
	}
}

// byItself is who did what nobody did.
const byItself = "itself"

// beganByItself writes down a start that nobody told of, so that it can be taken
// back as any other.
func (p *pipe) beganByItself() {
	d := web.Deed{At: p.rise.StartedAt, Kind: web.ActStart, By: byItself, CanUndo: true}
	body, err := json.Marshal(deedData{Vessel: p.vessel.Name})
	if err == nil {
		d.ID = p.keep.act(history.Act{RiseID: p.rise.ID, At: d.At, Kind: string(d.Kind), By: d.By, Data: body})
	}
	if d.ID != 0 { // else nothing is kept that could be taken back
		p.deeds = append(p.deeds, d)
	}
}

// batchJSON is the batch or feeding that a rise belongs to; nil when none is known.
func (p *pipe) batchJSON() []byte {
	var what any
	switch {
	case p.keeping.feed != nil:
		what = p.keeping.feed
	case p.plan != nil && p.process != nil:
		what = p.process.Batch // a plan may take less levain
	case p.vessel.Batch != nil:
		what = p.vessel.Batch
	}
	if what = p.withName(what); what == nil {
		return nil
	}
	body, err := json.Marshal(what)
	if err != nil {
		return nil // a checked batch always marshals
	}
	return body
}

// updateRise carries the estimate over into the rise and says whether
// anything worth writing changed.
func (p *pipe) updateRise() bool {
	e, r := &p.last, &p.rise
	old := *r
	r.Phase, r.PhaseSince = e.Phase, e.PhaseSince
	if e.ReadyIsPast {
		r.ReachedAt = e.Ready.Median
	}
	if !math.IsNaN(e.PeakPercent) {
		r.PeakPercent, r.PeakAt = e.PeakPercent, e.PeakAt
	}
	if !math.IsNaN(e.CeilingPercent) {
		r.CeilingPct = e.CeilingPercent
	}
	r.BaselineL, r.BaselineSDL = e.BaselineL, finiteOr(e.BaselineSDL, 0)
	r.MaxRate = max(r.MaxRate, finiteOr(e.RatePercentPerHour, 0))
	return old.Phase != r.Phase || old.ReachedAt.IsZero() != r.ReachedAt.IsZero() || (old.BaselineL == 0) != (r.BaselineL == 0)
}

// The start volume is stored anew when it has moved by this share, once the dough
// has settled: a restart then goes on with the same one.
const (
	baselineShare   = 0.005
	baselineSettles = 30 * time.Minute
)

// baselineMoved reports whether it has.
func (p *pipe) baselineMoved() bool {
	return p.last.Time.Sub(p.rise.StartedAt) >= baselineSettles-time.Minute &&
		math.Abs(p.rise.BaselineL-p.keptL) > baselineShare*p.rise.BaselineL
}

// closeRise ends the stored rise.
func (p *pipe) closeRise(at time.Time) {
	p.rise.EndedAt = at
	p.keep.end(p.rise)
	if p.ended != nil {
		p.ended(p.rise)
	}
	p.rise = history.Rise{}
	if p.last.Phase == estimator.Ended {
		_ = p.takeShape() // of a checked configuration: it fits
	}
}

// finiteOr returns x, or def when x is not finite.
func finiteOr(x, def float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return def
	}
	return x
}

// nan is a value that is not known.
func nan() float64 { return math.NaN() }
