package bake

import (
	"slices"
	"time"

	"tidemark/estimator"
)

// Status is where a vessel stands, as a person would say it. Each has one sentence,
// one next thing to do and one accent on every surface.
type Status string

// The statuses.
const (
	StatusNothing     Status = "nothing"      // nothing rises here
	StatusPlanned     Status = "planned"      // a plan is followed, its dough is not here yet
	StatusSettling    Status = "settling"     // just filled
	StatusWaiting     Status = "not_rising"   // not rising yet
	StatusRising      Status = "rising"       //
	StatusStalling    Status = "stalling"     // may never get to its mark
	StatusCold        Status = "fridge"       // rising dough in the refrigerator
	StatusNear        Status = "near"         //
	StatusReady       Status = "ready"        // at its mark
	StatusPast        Status = "past"         // past its mark, or sinking
	StatusDivided     Status = "divided"      // out of its vessel, not shaped yet
	StatusProving     Status = "proving"      // shaped
	StatusProvingCold Status = "proving_cold" // shaped, in the refrigerator
	StatusProved      Status = "proved"       // ready for the oven
	StatusPreheating  Status = "preheating"   //
	StatusOven        Status = "oven"         //
	StatusBaked       Status = "baked"        // in the oven, its core done
	StatusCooling     Status = "cooling"      //
	StatusDone        Status = "done"         // cool enough to slice, or sliced
	StatusBlind       Status = "blind"        // the dough cannot be seen
	StatusCatchingUp  Status = "catching_up"  // the journal is being folded

	StatusStarterRising  Status = "starter_rising"
	StatusStarterPeak    Status = "starter_peak"
	StatusStarterFalling Status = "starter_falling"
	StatusStarterHungry  Status = "starter_hungry"
)

// Derived returns the State with Status and Now worked out from the rest, for
// whoever puts one together from its parts.
func (s State) Derived() State {
	s.Status = s.status()
	s.Now = s.todo()
	return s
}

// status says where the vessel stands.
func (s *State) status() Status {
	gone, night := s.RiseID == 0, stepIn(s.Steps, RetardID)
	switch p := s.Process; {
	case gone && s.After != nil:
		return s.afterBulk()
	case gone && p != nil && p.Marks[divideID].State == Done && !p.closed(ShapeID):
		return StatusDivided
	case gone && night.ID != "" && night.Open() && stepIn(s.Steps, ShapeID).State == Done: // in the place of a final proof
		return StatusProvingCold
	case s.Plan != nil && s.Plan.Pending:
		return StatusPlanned
	case gone && s.sliced():
		return StatusDone
	case gone:
		return StatusNothing
	case s.WorkingOut:
		return StatusCatchingUp
	case s.Estimate.Quality == estimator.QualityGap || s.Estimate.Quality == estimator.QualitySuspect:
		return StatusBlind
	case s.Holds == estimator.Starter:
		return s.starterStage()
	}
	return s.doughStage()
}

// stepIn returns a step of a timetable; one without ID where it is not in it.
func stepIn(steps []Step, id string) Step {
	for _, x := range steps {
		if x.ID == id {
			return x
		}
	}
	return Step{}
}

// sliced reports whether a bake was followed to its end.
func (s *State) sliced() bool { return s.Process != nil && s.Process.closed(SliceID) }

// afterBulk is the stage of a shaped loaf.
func (s *State) afterBulk() Status {
	oven := stepIn(s.Steps, PreheatID)
	heating := oven.State == Done && s.At.Before(oven.Finished.Add(oven.Takes))
	switch stage := s.After.Stage; {
	case stage == Proofing && s.InFridge:
		return StatusProvingCold
	case heating && (stage == Proofing || stage == Proofed):
		return StatusPreheating
	case stage == Proofing:
		return StatusProving
	case stage == Proofed:
		return StatusProved
	case stage == Baking:
		return StatusOven
	case stage == LoafDone:
		return StatusBaked
	case stage == Cooling:
		return StatusCooling
	}
	return StatusDone
}

// starterStage is the stage of a fed starter.
func (s *State) starterStage() Status {
	switch s.Estimate.Phase {
	case estimator.Settling:
		return StatusSettling
	case estimator.Lag:
		return StatusWaiting
	case estimator.Peak:
		return StatusStarterPeak
	case estimator.Falling:
		return StatusStarterFalling
	case estimator.Hungry:
		return StatusStarterHungry
	}
	return StatusStarterRising
}

// doughStage is the stage of dough in its bulk or proof.
func (s *State) doughStage() Status {
	switch e := &s.Estimate; {
	case e.Phase == estimator.Fallen || s.over():
		return StatusPast
	case s.InFridge:
		return StatusCold
	case e.Phase == estimator.Ready || e.Phase == estimator.Over || e.ReadyIsPast:
		return StatusReady
	case e.Phase == estimator.Settling:
		return StatusSettling
	case e.LevelsOffShort:
		return StatusStalling
	case e.Phase == estimator.Lag:
		return StatusWaiting
	case e.Phase == estimator.Near:
		return StatusNear
	}
	return StatusRising
}

// Todo is the one thing to do now, or what to wait for. A stage that only waits is
// never something to do.
type Todo struct {
	Key    string    // of the words: "fold", "shape", "wait", "look" ...
	StepID string    // the step that is due or waited for; empty for none
	At     time.Time // since when it is due, or until when nothing is to be done; zero when not known
	Tap    EventKind // what the one button tells; empty for no button
	Other  EventKind // what the other sensible button tells; empty for none
}

// The keys of Todo beside the names of steps.
const (
	TodoStart   = "start"   // fill the vessel and begin
	TodoLook    = "look"    // look at dough and sensor
	TodoShape   = "shape"   // the dough is ready: shape it
	TodoBake    = "bake"    // into the oven
	todoUse     = "use"     // use the starter, or put it into the cold
	TodoFeed    = "feed"    // feed the starter
	TodoStep    = "step"    // the step StepID is due
	TodoWait    = "wait"    // nothing until At, then the step StepID
	TodoLeave   = "leave"   // nothing to do, and nothing is known of when
	TodoSlice   = "slice"   // cool enough
	TodoJudge   = "judge"   // say how it was
	TodoChilled = "chilled" // it waits in the fridge for its shaping
	TodoSee     = "see"     // look how far it has risen, and tell it
	TodoInTime  = "in_time" // what Advice says, before it is too late
	TodoStall   = "stalls"  // it will not get to its mark: a warmer place, or go on without
	todoFollow  = "follow"  // look at the vessel this one serves

	TodoStallProof = "stalls.proof" // a basket or sample jar will not get to its mark: warmer, or bake
)

// todo says what to do now.
func (s *State) todo() Todo {
	if s.Status == StatusBlind {
		return Todo{Key: TodoLook, At: s.Estimate.LastSeen, Tap: EventLook}
	}
	if t, ok := s.dueStep(); ok {
		return t
	}
	if !s.LookAt.IsZero() && !s.LookAt.After(s.At) {
		return Todo{Key: TodoSee, At: s.LookAt, Tap: EventLook}
	}
	if a := s.Advice; a.Urgent(s.At) {
		return Todo{Key: TodoInTime, At: a.By, Tap: a.Tap}
	}
	switch s.Status {
	case StatusNothing:
		if s.Holds == estimator.Starter {
			return Todo{Key: TodoFeed, Tap: EventFed}
		}
		return Todo{Key: TodoStart, Tap: EventStart}
	case StatusReady, StatusPast:
		return s.endOfRise()
	case StatusStalling:
		if s.ProofOf != "" {
			return Todo{Key: TodoStallProof, Tap: EventEnd, Other: EventTarget}
		}
		return Todo{Key: TodoStall, StepID: ShapeID, Tap: EventShaped, Other: EventTarget}
	case StatusProved:
		return Todo{Key: TodoBake, StepID: BakeID, Tap: EventDone}
	case StatusStarterPeak:
		return Todo{Key: todoUse, At: s.Estimate.PeakAt, Tap: EventFridge, Other: EventFed}
	case StatusStarterFalling, StatusStarterHungry:
		return Todo{Key: TodoFeed, Tap: EventFed, Other: EventFridge}
	case StatusDone:
		switch {
		case slices.ContainsFunc(s.Events, func(e Event) bool { return e.Kind == EventJudged && !e.Undone() }):
			return Todo{Key: TodoStart, Tap: EventStart}
		case s.sliced():
			return Todo{Key: TodoJudge, Tap: EventJudged}
		}
		return Todo{Key: TodoSlice, StepID: SliceID, Tap: EventDone}
	}
	return s.wait()
}

// endOfRise is what a dough at its mark asks for.
func (s *State) endOfRise() Todo {
	at := s.Estimate.Ready.Median
	switch {
	case s.ProofOf != "" && s.ProofBasis == BasketBasis:
		return Todo{Key: TodoBake, At: at, Tap: EventEnd}
	case s.ProofOf != "":
		return Todo{Key: todoFollow, At: at, Tap: EventEnd}
	}
	t := Todo{Key: TodoShape, At: at, StepID: ShapeID, Tap: EventShaped}
	if !s.InFridge {
		t.Other = EventFridge
	}
	return t
}

// dueStep is the first step that is due and needs hands.
func (s *State) dueStep() (Todo, bool) {
	for _, x := range s.Steps {
		if x.Hands && (x.State == DueNow || x.State == Started && x.Trigger != ByRise) {
			t := Todo{Key: TodoStep, StepID: x.ID, At: x.At, Tap: EventDone}
			is := stageOf(x.ID)
			if is.button != "" {
				t.Tap = is.button
			}
			if is.other != EventFridge || s.RiseID != 0 && !s.InFridge {
				t.Other = is.other
			}
			return t, true
		}
	}
	return Todo{}, false
}

// wait is what to wait for: the next step that needs hands, what is to be done in time or
// looked at when that comes first, else the mark.
func (s *State) wait() Todo {
	next := Todo{Key: TodoWait}
	soonest := func(id string, at time.Time) {
		if at.After(s.At) && (next.At.IsZero() || at.Before(next.At)) {
			next.StepID, next.At = id, at
		}
	}
	for _, x := range s.Steps {
		if x.Hands && x.State == Waiting {
			soonest(x.ID, x.At)
		}
	}
	if s.Advice != nil {
		soonest("", s.Advice.By)
	}
	soonest("", s.LookAt)
	if !next.At.IsZero() {
		return next
	}
	if s.Status == StatusCold && s.Estimate.ReadyIsPast {
		return Todo{Key: TodoChilled, StepID: ShapeID, Other: EventShaped}
	}
	if s.Care != nil {
		soonest("", s.Care.UseFrom)
	}
	if !s.Estimate.ReadyIsPast && next.At.IsZero() {
		next.At = s.Estimate.Ready.Median
	}
	if next.At.IsZero() {
		next.Key = TodoLeave
	}
	return next
}
