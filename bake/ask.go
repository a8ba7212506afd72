package bake

import (
	"time"

	"tidemark/estimator"
)

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

// ask returns what must have happened before an event and was not told; nil for nothing.
func (s *Session) ask(e Event) *Ask {
	id := s.process.stepOf(e)
	needsRise := id != "" || e.Kind.ends() || e.Kind == EventFold || e.Kind == EventFridge || e.Kind == EventLook
	switch {
	case !needsRise || e.Kind.Starts() || e.Kind == EventSkipped || e.Kind == EventEnd:
		return nil
	case !s.underWay() && (s.process == nil || s.pending()):
		return s.askStart(e, id)
	case s.process == nil || s.process.index(id) < 0:
		return nil
	}
	for i, d := range s.process.Defs {
		first := stageOf(d.ID)
		if first.asked != "" && first.ID == d.ID && i < s.process.index(id) && s.process.Marks[d.ID].State == "" && !s.ahead(id) {
			return &Ask{first.asked, d.ID, s.mayHaveBeen(d.ID, e.At)} // one after the other
		}
	}
	return nil
}

// askStart asks for the begin of a rise. A step of a plan before the dough is in the
// vessel needs none.
func (s *Session) askStart(e Event, id string) *Ask {
	kind := EventStart
	if s.vessel.Estimator.Holds == estimator.Starter {
		kind = EventFed
	}
	if p := s.process; id != "" && (p == nil || s.ahead(id) || p.index(id) <= p.index(MixID)) && !e.Kind.ends() {
		return nil
	}
	return &Ask{Kind: kind, At: s.mayHaveBeen(saltID, e.At)}
}

// ahead reports whether a step only prepares another.
func (s *Session) ahead(id string) bool {
	d, ok := s.process.def(id)
	return ok && d.Trigger == Ahead
}

// mayHaveBeen is when a step may have been done that nobody told.
func (s *Session) mayHaveBeen(id string, before time.Time) time.Time {
	for _, x := range s.steps {
		if x.ID == id && x.At.Before(before) && before.Sub(x.At) < 12*askedBack {
			return x.At
		}
	}
	return before.Add(-askedBack)
}
