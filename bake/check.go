package bake

import (
	"time"

	"tidemark/estimator"
)

// Check returns an event as it is meant, or a Refusal when it makes no sense now. The last
// step before the tub, done in a plan whose dough is not there yet, is the start of its
// rise; what begins a new run belongs to no rise yet.
func (s *Session) Check(e Event) (Event, error) {
	if s.pending() && e.Kind == EventDone && stageOf(e.StepID).told == EventStart {
		e.Kind = EventStart
	}
	if s.begins(e) {
		e.RiseID = 0
	}
	return e, s.check(e)
}

// check returns a Refusal when an event makes no sense now.
func (s *Session) check(e Event) error {
	here := Values{"vessel": s.vessel.Name}
	if ask := s.ask(e); ask != nil {
		if ask.Kind.Starts() {
			return Refusal{Said: Said{"refused.no_rise", here}, Ask: ask}
		}
		return Refusal{Said: Said{"refused.step_before", Values{"step": s.process.name(ask.StepID)}}, Ask: ask}
	}
	switch {
	case e.Kind == EventPlan && (e.Plan == nil || len(e.Plan.Process.Defs) == 0):
		return Refuse("no_plan", nil)
	case e.Kind == EventPlan && s.underWay():
		return Refuse("rising", here)
	case e.Kind == EventTarget && !(e.TargetPercent >= 5 && e.TargetPercent <= 400):
		return Refuse("target", Values{"percent": e.TargetPercent})
	case e.Kind == EventLook && !(e.SeenPercent > leastSeen && e.SeenPercent <= mostSeen):
		return Refuse("seen", Values{"percent": e.SeenPercent})
	case e.Kind == EventWarmth && (e.DoughC == nil || !(*e.DoughC >= coldestC && *e.DoughC <= warmestC)):
		return Refuse("warmth", Values{"low_c": float64(coldestC), "high_c": float64(warmestC)})
	case e.Kind == EventAway && (e.Away == nil || !e.Away.Until.After(e.Away.From) || !e.Away.Until.After(e.At)):
		return Refuse("away", nil)
	case e.Kind.Marks():
		return s.checkStep(e)
	case e.feed() != nil && e.feed().Validate() != nil:
		return Refuse("feed", Values{"reason": e.feed().Validate()})
	case e.Kind.Starts(), e.Kind == EventPlan, e.Kind == EventNote, e.Kind == EventJudged, s.underWay(), e.Kind == EventAway && s.process != nil:
		return nil
	case s.process != nil && (e.Kind == EventShaped || e.Kind == EventBaked):
		return s.tryMark(e) // the bake goes on after its rise
	case s.process != nil && (e.Kind == EventFridge || e.Kind == EventCounter):
		return nil // the shaped loaf
	}
	return Refuse("no_rise", here)
}

// What a person can have seen, percent of the start volume.
const (
	leastSeen = -90.0
	mostSeen  = 1000.0
)

// How warm a person can have found dough, Celsius.
const coldestC, warmestC = -5, 60

// checkStep refuses what cannot be said of a step.
func (s *Session) checkStep(e Event) error {
	if s.process == nil {
		return Refuse("no_steps", Values{"vessel": s.vessel.Name})
	}
	if err := s.tryMark(e); err != nil {
		return err
	}
	if e.Kind == EventDone && e.Answer == "" && stepIn(s.steps, e.StepID).Question.Key != "" {
		return Refuse("answer", nil)
	}
	return nil
}

// tryMark refuses an event whose step cannot be marked now.
func (s *Session) tryMark(e Event) error {
	p := s.process.copied()
	return p.markFor(e)
}

// Ask is what must have happened before an event that was told, and was not told
// itself: it is asked back, and both are taken in together.
type Ask struct {
	Kind   EventKind
	StepID string    // of begun
	At     time.Time // when it may have been
}

// askedBack is how long before an event the one that is asked for may have been, where
// no step says it. Common practice, no source.
const askedBack = time.Hour

// ask returns what must have happened before an event and was not told: the begin of the
// rise, which a step of a plan before the dough is in the vessel needs not, or a step
// before it; nil for nothing.
func (s *Session) ask(e Event) *Ask {
	p, id, place, prepares := s.process, s.process.stepOf(e), -1, false
	if p != nil {
		place = p.index(id)
		prepares = place >= 0 && p.Defs[place].Trigger == Ahead
	}
	needsRise := id != "" || e.Kind.ends() || e.Kind == EventFold || e.Kind == EventFridge || e.Kind == EventLook
	switch {
	case !needsRise || e.Kind.Starts() || e.Kind == EventSkipped || e.Kind == EventEnd:
		return nil
	case !s.underWay() && (p == nil || s.pending()):
		kind := EventStart
		if s.vessel.Estimator.Holds == estimator.Starter {
			kind = EventFed
		}
		if id != "" && (p == nil || prepares || place <= p.index(MixID)) && !e.Kind.ends() {
			return nil
		}
		return &Ask{Kind: kind, At: s.mayHaveBeen(saltID, e.At)}
	case place < 0 || prepares:
		return nil
	}
	for _, d := range p.Defs[:place] {
		if first := stageOf(d.ID); first.asked != "" && first.ID == d.ID && p.Marks[d.ID].State == "" {
			return &Ask{first.asked, d.ID, s.mayHaveBeen(d.ID, e.At)} // one after the other
		}
	}
	return nil
}

// mayHaveBeen is when a step may have been done that nobody told.
func (s *Session) mayHaveBeen(id string, before time.Time) time.Time {
	if x := stepIn(s.steps, id); x.ID != "" && x.At.Before(before) && before.Sub(x.At) < 12*askedBack {
		return x.At
	}
	return before.Add(-askedBack)
}
