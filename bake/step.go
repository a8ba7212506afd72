package bake

import (
	"time"

	"tidemark/estimator"
)

// StepState is where one step of the process stands.
type StepState string

// The states of a step.
const (
	Waiting StepState = "waiting" // its time has not come
	DueNow  StepState = "due"     // it should be done now
	Started StepState = "started" // under way
	Done    StepState = "done"
	Skipped StepState = "skipped"
)

// Step is one line of the timetable: what to do, when, and how sure that is.
// From and Until bound At with a chance of 8 in 10; both equal At for a step
// driven by the clock alone.
type Step struct {
	ID       string    // stable within the process, e.g. "fold-2"
	Key      string    // of its words
	Name     Said      // the trade's word: fold, shape, preheat, slice
	Do       Said      // what to do, one sentence
	Caution  Sentences // empty when there is none
	Question Said      // to be answered before the step counts as done; zero when there is none
	At       time.Time
	From     time.Time
	Until    time.Time
	Takes    time.Duration // how long it lasts once begun; 0 for a moment
	Hands    bool          // a person must be there; false for a rest or a rise
	Trigger  Trigger
	State    StepState
	By       string    // who or what started, did or skipped it
	Why      Sentences // reasons of a skip or a shift
	Finished time.Time // when it was done or skipped
}

// Trigger says what a step waits for.
type Trigger string

// The triggers.
const (
	ByClock Trigger = "clock"  // a pause after the step before it
	ByRise  Trigger = "rise"   // the mark of its stage
	Ahead   Trigger = "before" // so long before another step
)

// Spread is a duration with its doubt in minutes: the central 8 in 10 and the
// middle.
type Spread struct {
	LowMin  int `json:"low_min"`
	MidMin  int `json:"mid_min"`
	HighMin int `json:"high_min"`
}

// after is when it is over that begins in a window and goes at a speed.
func (s Spread) after(at estimator.Window, speed float64) estimator.Window {
	later := func(t time.Time, m int) time.Time { return t.Add(time.Duration(float64(minutes(m)) / speed)) }
	return estimator.Window{From: later(at.From, s.LowMin), Median: later(at.Median, s.MidMin), Until: later(at.Until, s.HighMin)}
}

// Open reports whether a step is neither done nor left out.
func (s Step) Open() bool { return s.State != Done && s.State != Skipped }

// window is when the step is due.
func (s Step) window() estimator.Window {
	return estimator.Window{From: s.From, Median: s.At, Until: s.Until}
}

func (s *Step) setAt(w estimator.Window) { s.From, s.At, s.Until = w.From, w.Median, w.Until }
