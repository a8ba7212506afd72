package bake

import (
	"cmp"
	"encoding/json"
	"maps"
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// take folds one event in at the end.
func (s *Session) take(e Event) {
	if e.Undone() {
		return
	}
	at := Later(e.At, s.last.Time)
	switch {
	case e.Kind == EventPlan:
		s.follow(e)
	case e.Kind.Starts():
		s.start(e, at, false)
	case e.Kind == EventTarget:
		s.mark = true
		s.est.SetTarget(e.TargetPercent)
		if s.planMark() != 0 {
			s.process.bulkEndsAt(e.TargetPercent)
		}
	case e.Kind == EventWarmth:
		s.handC, s.handAt = e.DoughC, time.Time{}
		s.observeByHand(at)
	case e.Kind == eventReplan:
		if s.changedAt = e.At; e.Said != nil {
			s.change = *e.Said
		}
		s.est.SetTarget(e.TargetPercent)
		s.last.TargetPercent = e.TargetPercent
		s.process.bulkEndsAt(e.TargetPercent)
	case e.ToDough() != estimator.NoEvent:
		s.tell(e.ToDough(), at, e.SeenPercent)
	}
	if s.process != nil {
		_ = s.process.markFor(e) // closed already: nothing to mark
	}
}

// feed is the feeding that an event tells, in grams or as a batch's name ("1:2:2");
// nil when it tells none.
func (e Event) feed() *Feed {
	if e.Feed != nil {
		return e.Feed
	}
	if f, ok := parseFeed(e.Batch); ok {
		return &f
	}
	return nil
}

// ToDough returns what an event is to the dough, for the estimator.
func (e Event) ToDough() estimator.Event {
	switch k := e.Kind; {
	case k.Starts():
		return estimator.Start
	case e.Ends():
		return estimator.End
	case k == EventFold:
		return estimator.Fold
	case k == EventFridge:
		return estimator.Fridge
	case k == EventCounter:
		return estimator.Counter
	case k == EventLook:
		return estimator.Look
	}
	return estimator.NoEvent
}

// tell hands an event to the estimator, with the rise that was seen when it is a look.
func (s *Session) tell(e estimator.Event, at time.Time, seenPercent float64) {
	nan := math.NaN()
	s.est.Observe(estimator.Sample{Time: at, DistanceMM: nan, DoughC: nan, AirC: nan, Event: e, Value: seenPercent})
	if e == estimator.Start {
		s.stay = stay{Since: at, lastC: s.stay.lastC}
	}
	switch e {
	case estimator.Fridge, estimator.Counter, estimator.Start:
		s.cold, s.handC = e == estimator.Fridge, nil // that was measured elsewhere
	}
}

// follow begins to follow a plan.
func (s *Session) follow(e Event) {
	pr := e.Plan.Process.copied()
	pr.Track = s.kept
	s.plan, s.process = e.Plan, &pr
	s.change, s.changedAt, s.begun, s.rise = Said{}, time.Time{}, false, Rise{}
	s.auto = false
}

// start begins a rise: one that was told, or one that the estimator saw begin.
func (s *Session) start(e Event, at time.Time, seen bool) {
	if s.named, s.feed = e.Batch, e.feed(); s.feed == nil {
		s.feed = s.vessel.Feed
	}
	s.beginProcess(at, e.By == ByItself)
	s.mark, s.begun, s.auto = s.mark && seen, true, false
	if !seen {
		mark := s.vessel.Estimator.TargetPercent
		switch own := s.planMark(); {
		case own > 0:
			mark = own
		case len(s.vessel.Estimator.TargetTable) > 0:
			mark = 0 // the table decides
		}
		s.est.SetFanTo(s.beyond())
		s.est.SetTarget(mark)
		s.tell(estimator.Start, at, 0)
	}
	s.rise = Rise{ID: e.RiseID, Vessel: s.vessel.Name, Holds: s.vessel.Estimator.Holds, Demo: s.vessel.Demo, StartedAt: at, Batch: s.belongsTo(), Auto: e.By == ByItself}
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
	s.start(e, e.At, true)
}

// beginProcess gives a rise its steps: those of the plan or of the vessel's batch. A
// vessel without a batch and a rise that began by itself have none: nobody said what
// is being baked.
func (s *Session) beginProcess(at time.Time, byItself bool) {
	switch {
	case s.pending() && s.process != nil:
		_ = s.process.Done(saltID, at, ByItself) // may be done already
		return
	case byItself || s.vessel.Batch == nil || s.vessel.Estimator.Holds == estimator.Starter || !s.usualBatch():
		s.process = nil
		return
	}
	pr := NewProcess(*s.vessel.Batch, at.Add(-beforeTub), finite(s.last.AirC))
	pr.Track = s.kept
	_ = pr.Done(saltID, at, ByItself) // closes mixing and rest as well
	s.process = &pr
}

// beforeTub is how long the steps up to the filled tub take in the default step
// list; the rise starts when they are done.
const beforeTub = 45 * time.Minute

// markFor marks the step that an event completes. An error says why it cannot be.
func (p *Process) markFor(e Event) error {
	m := Mark{State: Done, At: e.At, By: e.By}
	switch e.Kind {
	case EventStart, EventFed:
		m.By = ByItself
	case EventBegun:
		m.State = Started
	case EventSkipped:
		if m.State, m.Why = Skipped, (Said{Key: "why.left_out"}); e.Why != "" {
			m.Why = Said{"why.told", Values{"text": e.Why}}
		}
	}
	if id := p.stepOf(e); id != "" {
		return p.tell(id, m)
	}
	return nil
}

// remark marks the steps again from the events of the run.
func (s *Session) remark() {
	if s.process == nil {
		return
	}
	s.process.Marks = nil
	for _, e := range s.run.Events {
		if !e.Undone() {
			_ = s.process.markFor(e)
		}
	}
}

// copied returns a process that shares nothing with the first.
func (p Process) copied() Process {
	p.Defs, p.Marks = slices.Clone(p.Defs), maps.Clone(p.Marks)
	return p
}

// usualBatch reports whether the rise is of the vessel's own batch.
func (s *Session) usualBatch() bool {
	return s.named == "" || s.vessel.Batch != nil && s.named == s.vessel.Batch.Name
}

// belongsTo is the batch or feeding of the rise as JSON, under the name that was told; nil
// when none is known.
func (s *Session) belongsTo() []byte {
	type named struct {
		Name string `json:"name,omitempty"`
	}
	name, batch := s.named, s.vessel.Batch
	if name == NoBatch {
		name = ""
	}
	var what any
	switch {
	case s.vessel.Estimator.Holds == estimator.Starter && s.feed != nil:
		what = struct {
			*Feed
			named
		}{s.feed, named{name}}
	case s.vessel.Estimator.Holds == estimator.Dough && s.plan != nil && s.process != nil:
		batch = &s.process.Batch // a plan may take less levain
		fallthrough
	case s.vessel.Estimator.Holds == estimator.Dough && batch != nil && s.usualBatch():
		b := *batch
		b.Name = cmp.Or(name, b.Name)
		what = b
	case name != "":
		what = named{name}
	default:
		return nil
	}
	body, _ := json.Marshal(what) // a checked batch always marshals
	return body
}
