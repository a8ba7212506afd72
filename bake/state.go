package bake

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// PlanState is a plan that a vessel follows.
type PlanState struct {
	Way     string
	Wanted  time.Time
	Planned estimator.Window // ready, as the plan had it
	Ready   estimator.Window // ready, as the steps stand now; zero when that is past
	Pending bool             // the dough is not in the vessel yet
	Said    Said             // what the live rise changed last; zero for nothing
	SaidAt  time.Time
}

// Around is what a vessel's bake depends on that is measured elsewhere.
type Around struct {
	Basket, Sample *estimator.Estimate // of the vessels in which its shaped dough proofs; nil without
	Away           []Span              // when nobody is there, as was told in other vessels
	CoreC          float64             // the probe in the loaf, Celsius; NaN without
}

// State is what is the case with one vessel at one moment. The page, the API, the
// messages, the metrics and the command line render it and decide nothing.
type State struct {
	At     time.Time
	Vessel string
	Holds  estimator.Holds
	Demo   bool // everything seen is invented
	Lead   time.Duration

	Status Status
	Now    Todo

	RiseID   int64 // of the rise under way; 0 when none is
	Rise     Rise  // the last one of this run; its ID is 0 before it began
	Estimate estimator.Estimate
	InFridge bool
	// OverPercent is the rise from which dough is over, and ColdPercent the most it may
	// come to in the cold, see Batch.Limits; 0 when no dough rises.
	OverPercent, ColdPercent float64
	MarkChosen               bool   // a person chose the mark
	Batch                    string // name of the batch or feeding; empty for none
	Feed                     string // the feeding of a starter as a ratio; empty when not known

	Steps    []Step
	Process  *Process      // nil when no steps are followed; read only
	After    *After        // the bake after its bulk; nil when there is none
	Care     *Care         // of a fed starter; nil when none is watched
	Findings []Finding     // what the past feeds say of a starter
	Plan     *PlanState    // nil when none is followed
	Proof    *ProofState   // the final proof under way; nil when there is none
	Advice   *Advice       // what is to be done in time; nil for nothing
	ByHand   bool          // no sensor sees the level
	LookAt   time.Time     // when to look how far it has risen; zero for not
	HourMore *Outlook      // what another hour on the counter does; nil when that is not known
	ahead    time.Duration // at its present warmth, that the cold is worth

	ProofOf    string     // the vessel whose final proof this one shows; empty for none
	ProofBasis ProofBasis // how

	Events     []Event // of this run, oldest first, without those taken back
	away       []Span  // when nobody is there, as was told elsewhere
	WorkingOut bool    // the journal changed and is being folded again
}

// ProofState is a final proof under way.
type ProofState struct {
	Since time.Time
	By    estimator.Window
	Basis ProofBasis
}

// At moves the session on to now, which must not be earlier than what it was told
// last, and returns what is the case.
func (s *Session) At(now time.Time, around Around) State {
	if s.adrift {
		return s.state(now)
	}
	s.away = around.Away
	s.observeByHand(now)
	s.last = s.est.Estimate(now)
	s.noteStart()
	s.followRise()
	s.followBread(now, around)
	s.followProcess(now)
	s.after = nil
	if s.process != nil {
		if a, ok := s.process.after(now, s.steps); ok {
			s.after = &a
		}
	}
	s.care = s.tend()
	return s.state(now)
}

// State returns what was the case when the session was moved on last.
func (s *Session) State() State { return s.state(s.last.Time) }

// state gathers what is known.
func (s *Session) state(now time.Time) State {
	v := &s.vessel
	out := State{
		At: now, Vessel: v.Name, Holds: v.Estimator.Holds, Demo: v.Demo, Lead: v.Estimator.Lead,
		Rise: s.rise, Estimate: s.last, InFridge: s.cold, MarkChosen: s.mark, Batch: s.batchName(), Feed: s.feedShown(),
		Steps: s.steps, After: s.after, Care: s.care, Findings: s.learned.Findings,
		Plan: s.planState(), ProofOf: v.ProofOf, ProofBasis: v.ProofBasis, WorkingOut: s.stale,
	}
	if s.underWay() {
		out.RiseID = s.rise.ID
	}
	if r := out.Estimate.Ready; !r.IsZero() && !out.Estimate.ReadyIsPast { // what has not come cannot be past
		out.Estimate.Ready = notBefore(r, now)
	}
	if s.begun || s.plan != nil { // what was told of a rise that never was is of no use
		out.Events = slices.DeleteFunc(slices.Clone(s.run.Events), Event.Undone)
	}
	out.away = s.away
	if s.process != nil {
		p := s.process.copied() // the session goes on with its own
		out.Process = &p
		if begun, ok := p.proofBegun(); ok {
			out.Proof = &ProofState{begun, p.Track.ProofBy, p.Track.ProofBasis}
		}
	}
	if v.Estimator.Holds == estimator.Dough && s.underWay() && s.last.TargetPercent > 0 {
		out.OverPercent, out.ColdPercent = s.dough().limits(s.last.TargetPercent, s.last.DoughC, v.ProofBasis != "")
	}
	out.Status = out.status()
	out.ahead = out.coldAhead(s.kg())
	out.Advice, out.HourMore = out.advise(v.Hours), out.StaysOut(now.Add(time.Hour))
	out.ByHand = v.Estimator.ByHand
	out.LookAt = out.lookAt(v.Hours)
	out.Now = out.todo()
	return out
}

// dough returns the batch that rises; a lean one when it is not known.
func (s *Session) dough() Batch {
	switch {
	case s.process != nil:
		return s.process.Batch
	case s.vessel.Batch != nil:
		return *s.vessel.Batch
	}
	return Batch{}
}

// over reports whether dough is further on than is right. Where that is not known the
// phase says it.
func (s *State) over() bool {
	e := &s.Estimate
	if s.OverPercent == 0 || e.Exhausted {
		return e.Phase == estimator.Over
	}
	return e.RisePercent >= s.OverPercent
}

// batchName is what the bake or feeding is called.
func (s *Session) batchName() string {
	switch {
	case s.process != nil:
		return s.process.Batch.Name
	case s.named != NoBatch:
		return s.named
	}
	return ""
}

// noteStart notes a rise that the estimator began with the first valid height.
func (s *Session) noteStart() {
	if s.begun || s.last.Started.IsZero() || s.last.Phase == estimator.Ended || s.last.Phase == estimator.Idle {
		return
	}
	e := Event{Vessel: s.vessel.Name, At: s.last.Started, By: ByItself, Kind: EventStart}
	if len(s.run.Events) > 0 {
		former := s.run
		s.former, s.run = &former, Run{}
		s.version++
	}
	s.run.Events = append(s.run.Events, e)
	s.feed, s.named, s.begun, s.auto = s.vessel.Feed, "", true, false
	s.beginProcess(e.At, true)
	s.rise = s.newRise(e.At, true)
}

// newRise is the summary of a rise that begins.
func (s *Session) newRise(at time.Time, auto bool) Rise {
	return Rise{Vessel: s.vessel.Name, Holds: s.vessel.Estimator.Holds, Demo: s.vessel.Demo, StartedAt: at, Batch: s.belongsTo(), Auto: auto}
}

// followRise carries the estimate over into the summary of the rise.
func (s *Session) followRise() {
	if !s.begun {
		return
	}
	e, r := &s.last, &s.rise
	if !e.Started.IsZero() {
		r.StartedAt = e.Started
	}
	r.Phase, r.PhaseSince, r.TargetPercent, r.ReachedAt = e.Phase, e.PhaseSince, e.TargetPercent, time.Time{}
	if e.ReadyIsPast {
		r.ReachedAt = e.Ready.Median
	}
	if !math.IsNaN(e.PeakPercent) {
		r.PeakPercent, r.PeakAt = e.PeakPercent, e.PeakAt
	}
	if !math.IsNaN(e.CeilingPercent) {
		r.CeilingPercent = e.CeilingPercent
	}
	r.BaselineL, r.BaselineSDL = e.BaselineL, finite(e.BaselineSDL)
	r.MaxRate = max(r.MaxRate, finite(e.RatePercentPerHour))
	r.EndedAt = time.Time{}
	if e.Phase == estimator.Ended {
		r.EndedAt = e.PhaseSince
	}
}

// followBread takes in what is known of the bake after its bulk.
func (s *Session) followBread(now time.Time, around Around) {
	if s.underWay() && !math.IsNaN(s.last.DoughC) {
		s.bulkC = s.last.DoughC
	}
	if s.process == nil {
		return
	}
	air := s.roomC(around)
	s.process.followProof(now, knownC(s.bulkC), air, around)
	s.process.followCore(now, around.CoreC, air, s.vessel.AltitudeM)
}

// knownC is a temperature, or NaN where 0 says that it is not known.
func knownC(c float64) float64 {
	if c == 0 {
		return math.NaN()
	}
	return c
}

// roomC is the air where the loaf proofs and cools, by the thermometer nearest to
// it; NaN when there is none.
func (s *Session) roomC(around Around) float64 {
	for _, e := range []*estimator.Estimate{around.Basket, around.Sample, &s.last} {
		if e != nil && !math.IsNaN(e.AirC) {
			return e.AirC
		}
	}
	return math.NaN()
}

// staleAfter is how long after the bread was wanted a plan that never began is
// still followed.
const staleAfter = 24 * time.Hour

// replanEvery is how often the live rise is asked about the plan.
const replanEvery = 5 * time.Minute

// replanFrom is the rise in percent from which the real dough says more than the
// plan: before, the forecast rests on what is usual. This project's choice.
const replanFrom = 10

// followProcess moves the steps on to now: with the plan, while there is one.
func (s *Session) followProcess(now time.Time) {
	if s.pending() && now.Sub(s.plan.Wanted) > staleAfter {
		s.plan, s.process = nil, nil
	}
	s.steps = nil
	if s.process == nil {
		return
	}
	e := s.ownEstimate()
	s.process.record(now, e)
	s.replan(now)
	s.steps = s.process.Steps(now, s.ownEstimate())
	s.holdCold(now)
	if s.plan != nil && s.plan.Planned.IsZero() {
		s.plan.Planned = readyOf(s.steps) // as its steps are laid out, to be compared with later
	}
}

// holdCold lets a dough that was put into the refrigerator wait there, whatever its bulk
// says: the next step is due when somebody takes it out. A plan with a night in the cold
// knows that time.
func (s *Session) holdCold(now time.Time) {
	if !s.cold || !s.underWay() || s.process.index(TubID) >= 0 {
		return
	}
	for i := range s.steps {
		if x := &s.steps[i]; x.Hands && x.State == DueNow {
			x.State = Waiting
			x.setAt(notBefore(estimator.Window{From: x.From, Median: x.At, Until: x.Until}, now))
		}
	}
}

// ownEstimate is the estimate as the process may see it: neither a rise from before a
// plan whose dough is not there yet is its own, nor the air where the empty vessel
// stands.
func (s *Session) ownEstimate() estimator.Estimate {
	if !s.pending() {
		return s.last
	}
	nan := math.NaN()
	return estimator.Estimate{Time: s.last.Time, Phase: estimator.Idle, DoughC: nan, AirC: nan, RisePercent: nan}
}

// replan lets the bulk of a plan end where the real rise, with what the cold still
// adds, lands on target; the mark follows. A mark chosen by a person stands, and so
// does one that is reached.
func (s *Session) replan(now time.Time) {
	if s.plan == nil || !s.underWay() || now.Sub(s.asked) < replanEvery || !s.speaks() {
		return
	}
	s.asked = now
	said := s.process.Replan(s.last, s.plan.Fridge, s.plan.Total)
	if said.Key == "" {
		return
	}
	e := Event{Vessel: s.vessel.Name, RiseID: s.rise.ID, At: now, Told: now, By: ByItself, Kind: eventReplan, Detail: Detail{TargetPercent: s.planMark(), Said: &said}}
	s.run.Events = append(s.run.Events, e)
	s.take(e)
	s.last = s.est.Estimate(now) // to its new end
	s.followRise()
}

// speaks reports whether the live rise may move the end of the bulk.
func (s *Session) speaks() bool {
	e := &s.last
	seen := e.Quality == estimator.QualityOK && (e.Phase == estimator.Rising || e.Phase == estimator.Near)
	return seen && e.RisePercent >= replanFrom && !e.ReadyIsPast && !s.mark
}

// planState is how the plan stands; nil without one.
func (s *Session) planState() *PlanState {
	f := s.plan
	if f == nil {
		return nil
	}
	return &PlanState{Way: f.Way, Wanted: f.Wanted, Planned: f.Planned, Ready: readyOf(s.steps), Pending: s.pending(), Said: s.said, SaidAt: s.saidAt}
}

// readyOf is when the bread can be sliced; zero when that is past or not planned.
func readyOf(steps []Step) estimator.Window {
	i := slices.IndexFunc(steps, func(x Step) bool { return x.ID == SliceID && x.open() })
	if i < 0 {
		return estimator.Window{}
	}
	return estimator.Window{From: steps[i].From, Median: steps[i].At, Until: steps[i].Until}
}

// open reports whether a step is neither done nor left out.
func (s Step) open() bool { return s.State != Done && s.State != Skipped }

// usualFridgeC is taken for a refrigerator whose air is not measured; common
// practice, no source.
const usualFridgeC = 4.0

// assumedParts is the feeding taken when none is known: 1 : 2 : 2.
const assumedParts = 2

// tend says when the starter peaks, is best used and gets hungry; nil when none is
// watched.
func (s *Session) tend() *Care {
	if s.vessel.Estimator.Holds != estimator.Starter || !s.underWay() {
		return nil
	}
	feed, note := NewFeed(s.rise.StartedAt, assumedParts, 100, 0), say("why.care.assumed")
	if s.feed != nil {
		feed, note = *s.feed, nil
		feed.At = s.rise.StartedAt
	}
	fridgeC := usualFridgeC
	if s.cold && s.last.AirC < 12 {
		fridgeC = s.last.AirC
	}
	c, err := tend(feed, s.learned.Feeds, s.stay.meanC(), s.stay.ColdFrom, fridgeC)
	if err != nil {
		return nil // a checked feeding has no error
	}
	c = c.observed(s.last)
	c.Basis = append(slices.Clip(c.Basis), note...)
	return &c
}

// feedShown is the feeding to show: of the rise under way, else the usual one.
func (s *Session) feedShown() string {
	f := s.vessel.Feed
	if s.begun {
		f = s.feed
	}
	if f == nil || s.vessel.Estimator.Holds != estimator.Starter {
		return ""
	}
	return f.Ratio()
}
