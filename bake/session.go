package bake

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

// Vessel is what a Session knows of its vessel beforehand.
type Vessel struct {
	Name       string
	Estimator  estimator.Config // shape, mark, lead; its AutoStart lets the first valid height begin a rise
	Batch      *Batch           // what is usually baked from it; nil for nothing known
	Feed       *Feed            // the usual feeding of a starter; nil when not known
	ProofOf    string           // the vessel whose shaped dough proofs here, or whose sample this is
	ProofBasis ProofBasis       // how
	AltitudeM  float64          // of the kitchen
	Demo       bool             // everything seen is invented
	Hours      Hours            // when the household sleeps
}

// Learned is what the household's past rises teach of the next one.
type Learned struct {
	Prior    *forecast.Prior // nil for the published one
	Feeds    []PastFeed      // of a starter, oldest first
	Findings []Finding       // what those say of it
}

// Around is what a vessel's bake depends on that is measured elsewhere.
type Around struct {
	Basket, Sample *estimator.Estimate // of the vessels in which its shaped dough proofs; nil without
	Away           []Span              // when nobody is there, as was told in other vessels
	CoreC          float64             // the probe in the loaf, Celsius; NaN without
}

// Session is one vessel's watch: it folds the journal of what was measured and of
// what people did into a State. The same journal gives the same State, so an event
// is taken back, moved or added late by folding again. A Session has no clock, does
// no I/O, and keeps the run under way with the one before it in memory. It must not
// be used by two goroutines at once.
type Session struct {
	vessel  Vessel
	learned Learned
	former  *Run // the run before; nil when it is not known
	run     Run
	version int   // grows with every change of the journal that is not an addition at its end
	stale   bool  // the fold no longer follows from the journal
	auto    bool  // the first valid height may begin a rise
	kept    Track // what was measured after the bulk, for the process that a fold begins
	folded
}

// folded is what the journal comes to: it begins empty with every fold.
type folded struct {
	adrift    bool // the times of the journal moved: until it is folded again nothing can be told
	est       *estimator.Estimator
	process   *Process // nil when nobody chose one
	plan      *Chosen  // nil when none is followed
	change    Said     // what the live rise changed of the plan last
	changedAt time.Time
	asked     time.Time // when the live rise was last asked about the plan
	rise      Rise
	begun     bool // a rise of this run began
	cold      bool
	feed      *Feed
	named     string
	stay      stay
	bulkC     float64 // the dough when it was last seen in its bulk; NaN before
	mark      bool    // the mark was chosen by a person

	last  estimator.Estimate
	steps []Step
	after *After
	care  *Care

	away   []Span    // when nobody is there, as was told in other vessels
	handC  *float64  // how warm a person found the dough; nil when nobody measured
	handAt time.Time // when that was taken in last
}

// keepEvery is the shortest time between two samples that are kept.
const keepEvery = 10 * time.Second

// NewSession returns a Session of a vessel in which nothing rises.
func NewSession(v Vessel, l Learned) (*Session, error) {
	s := &Session{vessel: v, learned: l, auto: v.Estimator.AutoStart}
	return s, s.reset()
}

// reset makes the fold empty; the journal stays.
func (s *Session) reset() error {
	c := s.vessel.Estimator
	c.AutoStart = s.auto && !s.startTold()
	est, err := estimator.New(c)
	if err != nil {
		return err
	}
	if s.learned.Prior != nil {
		est.SetPrior(*s.learned.Prior)
	}
	if s.process != nil {
		s.kept = s.process.Track // it was measured, and no journal has it
	}
	s.folded = folded{bulkC: math.NaN(), est: est, last: est.Estimate(time.Time{})}
	return nil
}

// startTold reports whether the run has a start that stands.
func (s *Session) startTold() bool {
	return slices.ContainsFunc(s.run.Events, func(e Event) bool { return e.Kind.Starts() && !e.Undone() })
}

// Describe takes over what is newly known of the vessel. A lead or a shape that changed
// counts for the rise under way too.
func (s *Session) Describe(v Vessel) {
	was := s.vessel
	s.vessel = v
	s.est.SetLead(v.Estimator.Lead)
	if v.Estimator.Profile != was.Estimator.Profile || v.Estimator.FloorMM != was.Estimator.FloorMM {
		s.spoil()
	}
}

// Learn takes over what past rises teach; it counts from the next fold on.
func (s *Session) Learn(l Learned) {
	s.learned = l
	if l.Prior != nil {
		s.est.SetPrior(*l.Prior)
	}
}

// Wait lets no rise begin by itself from now on: the household says when.
func (s *Session) Wait() error {
	was := s.auto
	s.auto = false
	if !was || s.begun {
		return nil
	}
	return s.reset()
}

// underWay reports whether a rise is being watched.
func (s *Session) underWay() bool { return s.begun && s.last.Phase != estimator.Ended }

// pending reports whether a plan is followed whose dough is not in the vessel yet.
func (s *Session) pending() bool { return s.plan != nil && !s.begun }

// Observe takes in one sample. Its time must not lie before the latest one's. While a rise
// is under way it becomes part of the journal, with what was made of it.
func (s *Session) Observe(x estimator.Sample) {
	v := estimator.Verdict{}
	if !s.adrift {
		v = s.est.Observe(x)
		s.sense(x)
	}
	if n := len(s.run.Samples); !s.underWay() || n > 0 && x.Time.Sub(s.run.Samples[n-1].Time) < keepEvery {
		return
	}
	s.run.Samples = append(s.run.Samples, Recorded{Time: x.Time, DistanceMM: x.DistanceMM, SDMM: x.SDMM, DoughC: x.DoughC, AirC: x.AirC, Event: x.Event, Value: x.Value,
		RisePercent: s.last.RisePercent, RiseSD: s.last.RiseSD, EquivHours: s.last.EquivalentHours, Rejected: v.Reason})
}

// handEvery is how often a temperature that a person told is taken in again, until the next
// is told, the dough moves or a probe tells one.
const handEvery = 5 * time.Minute

// observeByHand lets the temperature that a person told go on to count.
func (s *Session) observeByHand(now time.Time) {
	if s.handC == nil || now.Sub(s.handAt) < handEvery {
		return
	}
	s.handAt = now
	nan := math.NaN()
	s.est.Observe(estimator.Sample{Time: now, DistanceMM: nan, DoughC: *s.handC, AirC: nan})
}

// sense takes in how warm it is by the sensors.
func (s *Session) sense(x estimator.Sample) {
	c := x.AirC
	if !math.IsNaN(x.DoughC) {
		c, s.handC = x.DoughC, nil
	}
	s.stay.follow(x.Time, c, s.cold)
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
	if s.after = nil; s.process != nil {
		s.after = s.process.after(now, s.steps)
	}
	s.care = s.tend()
	return s.state(now)
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
	s.process.followProof(now, s.bulkC, air, around)
	s.process.followCore(now, around.CoreC, air, s.vessel.AltitudeM)
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

// finite returns x, or 0 when it is not known.
func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}
