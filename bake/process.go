package bake

import (
	"slices"
	"strings"
	"time"

	"tidemark/estimator"
)

// StepDef is one editable line of a process. Times are whole minutes so that a
// person can edit them.
type StepDef struct {
	ID      string   `json:"id"`
	Key     string   `json:"key,omitempty"` // of its words in the catalogue, with Values
	Values  Values   `json:"values,omitempty"`
	Warn    []string `json:"warn,omitempty"` // its cautions, by key
	Trigger Trigger  `json:"trigger"`
	// WaitMin is the pause since the step before it (ByClock), or how long
	// before the loading of the oven it is due (Ahead).
	WaitMin  int  `json:"wait_min,omitempty"`
	TakesMin int  `json:"takes_min,omitempty"`
	Hands    bool `json:"hands,omitempty"`

	// Usual is how long a rise takes at 24 C when nothing is seen (ByRise), or
	// how long a step lasts when that is not known to the minute (ByClock).
	Usual Spread `json:"usual"`
	// RisePercent is the rise a ByRise step waits for when that is not the
	// vessel's mark, e.g. short of it because the cold still adds some; 0 means
	// the mark.
	RisePercent float64 `json:"rise_percent,omitempty"`
	// UntilAt ends a ByClock step at a moment instead of after TakesMin: a night
	// in the cold that is as long as the bulk leaves it.
	UntilAt time.Time `json:"until_at"`
}

// fold reports whether the step is a fold: it is left out when the dough is near its mark.
func (d StepDef) fold() bool { return strings.HasPrefix(d.ID, foldID+"-") }

// since is the step whose end begins a rise.
func (d StepDef) since() string {
	if d.ID == BulkID {
		return MixID
	}
	return ShapeID
}

// Mark is what happened to one step.
type Mark struct {
	State StepState `json:"state"`
	Begun time.Time `json:"begun"`
	At    time.Time `json:"at"` // done or skipped
	By    string    `json:"by"`
	Why   Said      `json:"why"`
}

// Process is a bake under way: its step list and what happened so far. It is
// plain data and goes through encoding/json unchanged. Its methods are not
// safe for use by several goroutines at once.
type Process struct {
	Started time.Time `json:"started"` // when the first step is, or was, due
	Batch   Batch     `json:"batch"`
	RoomC   float64   `json:"room_c"` // expected temperature where it rises; 0 means not known
	// Track is what was measured after the bulk: proof, core of the loaf.
	Track Track           `json:"track"`
	Defs  []StepDef       `json:"defs"`
	Marks map[string]Mark `json:"marks"`
}

// Done records that a step was done.
func (p *Process) Done(id string, at time.Time, by string) error {
	return p.tell(id, Mark{State: Done, At: at, By: by})
}

// tell records what happened to a step at m.At. Open steps before one that is begun or
// done count as done too, folds as skipped: a person does not go back to them. A stage
// that waits for a rise closes those up to where it begins.
func (p *Process) tell(id string, m Mark) error {
	d, ok := p.def(id)
	rises := d.Trigger == ByRise && m.State == Started // the bulk closes the mixing itself
	switch bulk := p.index(BulkID); {
	case !ok:
		return Refuse("no_step", Values{"step": id})
	case p.closed(id):
		return Refuse("closed."+string(p.Marks[id].State), Values{"step": p.name(id)})
	case m.At.IsZero():
		return Refuse("no_time", Values{"step": p.name(id)})
	case m.State != Skipped && !rises && bulk >= 0 && p.index(id) >= bulk && !p.closed(MixID):
		return Refuse("not_yet", Values{"step": p.name(id), "first": p.name(MixID)})
	case rises && !p.closed(d.since()):
		if err := p.Done(d.since(), m.At, m.By); err != nil {
			return err
		}
	case m.State != Skipped && !rises && d.Trigger != Ahead:
		p.closeBefore(id, m.At)
	}
	switch m.State {
	case Started:
		m.Begun, m.At = m.At, time.Time{}
	case Done:
		m.Begun = p.Marks[id].Begun
	}
	p.mark(id, m)
	return nil
}

// closeBefore closes the open steps before id.
func (p *Process) closeBefore(id string, at time.Time) {
	for _, d := range p.Defs {
		if d.ID == id {
			return
		}
		if d.Trigger == Ahead || p.closed(d.ID) {
			continue
		}
		m := Mark{State: Done, Begun: p.Marks[d.ID].Begun, At: at, By: "tidemark", Why: Said{Key: "why.later"}}
		if d.fold() {
			m.State = Skipped
		}
		p.mark(d.ID, m)
	}
}

func (p *Process) mark(id string, m Mark) {
	if p.Marks == nil {
		p.Marks = map[string]Mark{}
	}
	p.Marks[id] = m
}

// closed reports whether a step was done or skipped.
func (p *Process) closed(id string) bool {
	s := p.Marks[id].State
	return s == Done || s == Skipped
}

// name is what a step is called.
func (p *Process) name(id string) Said {
	d, _ := p.def(id)
	return Said{Key: "step." + d.Key + ".name"}
}

func (p *Process) index(id string) int {
	return slices.IndexFunc(p.Defs, func(d StepDef) bool { return d.ID == id })
}

func (p *Process) def(id string) (StepDef, bool) {
	i := p.index(id)
	if i < 0 {
		return StepDef{}, false
	}
	return p.Defs[i], true
}

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
