package bake

import "time"

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
	ID       string // stable within the process, e.g. "fold-2"
	Name     string // the trade's word: fold, shape, preheat, slice
	Do       string // what to do, one sentence
	Caution  string // empty when there is none
	At       time.Time
	From     time.Time
	Until    time.Time
	State    StepState
	By       string    // who or what started, did or skipped it
	Why      string    // reason of a skip or a shift, in words
	Finished time.Time // when it was done or skipped
}
