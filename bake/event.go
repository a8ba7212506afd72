package bake

import (
	"fmt"
	"time"
)

// EventKind names what happened to a vessel. The spelling is stored and part of
// the API, so it never changes.
type EventKind string

// The kinds of event.
const (
	EventStart    EventKind = "start"       // dough or starter is in the vessel: a rise begins
	EventFed      EventKind = "fed"         // a starter was fed: a rise begins
	EventFold     EventKind = "fold"        // stretched and folded
	EventFridge   EventKind = "fridge"      // into the refrigerator
	EventCounter  EventKind = "counter"     // back to the room
	EventShaped   EventKind = "shaped"      // shaped: the rise in this vessel is over
	EventBaked    EventKind = "baked"       // out of the oven
	EventEnd      EventKind = "end"         // emptied, thrown away
	EventTarget   EventKind = "target"      // another mark
	EventLook     EventKind = "look"        // a person saw how far the dough has risen
	EventWarmth   EventKind = "temperature" // a person measured how warm the dough is
	EventBegun    EventKind = "begun"       // a step is under way
	EventDone     EventKind = "step"        // a step is done
	EventSkipped  EventKind = "skip"        // a step is left out
	EventNote     EventKind = "note"        // a remark
	EventJudged   EventKind = "judgement"   // how the loaf was
	EventPlan     EventKind = "plan"        // a plan is followed from now on
	eventReplan   EventKind = "replan"      // the live rise moved the end of the bulk
	EventAway     EventKind = "away"        // nobody is at home for a while
	EventMeasured EventKind = "measured"    // the vessel's shape or floor was measured again
)

// EventKinds lists every kind.
func EventKinds() []EventKind {
	return []EventKind{EventStart, EventFed, EventFold, EventFridge, EventCounter, EventShaped, EventBaked, EventEnd,
		EventTarget, EventLook, EventWarmth, EventBegun, EventDone, EventSkipped, EventNote, EventJudged, EventPlan, eventReplan, EventAway, EventMeasured}
}

// Starts reports whether an event of this kind begins a rise.
func (k EventKind) Starts() bool { return k == EventStart || k == EventFed }

// ends reports whether an event of this kind ends a rise.
func (k EventKind) ends() bool { return k == EventShaped || k == EventBaked || k == EventEnd }

// Ends reports whether the dough leaves its vessel with the event, and the rise in it is
// over: dividing and shaping do, told as a step or otherwise.
func (e Event) Ends() bool {
	return e.Kind.ends() || e.Kind == EventDone && stageOf(e.StepID).empties
}

// Marks reports whether an event of this kind is about one step of the process.
func (k EventKind) Marks() bool { return k == EventBegun || k == EventDone || k == EventSkipped }

// CanUndo reports whether a person may take an event of this kind back. What was
// measured or follows from the rise stays.
func (k EventKind) CanUndo() bool { return k != EventMeasured && k != eventReplan }

// Event is one entry of a vessel's journal: what a person, or tidemark itself,
// says happened, and when. An event that was taken back stays, marked undone.
type Event struct {
	ID     int64 // of the store; 0 until it is stored
	Vessel string
	RiseID int64     // the rise it belongs to; 0 before one began
	At     time.Time // when it happened; a person may correct it
	Told   time.Time // when it was said
	By     string    // "page", a token's name, "itself"
	Kind   EventKind
	// UndoneAt is when it was taken back; zero while it counts.
	UndoneAt time.Time
	Detail
}

// Undone reports whether the event was taken back.
func (e Event) Undone() bool { return !e.UndoneAt.IsZero() }

// Detail is what some kinds of event say beside. It is stored as JSON.
type Detail struct {
	Batch         string   `json:"batch,omitempty"`          // of a start: the batch's name; empty for the vessel's own, NoBatch for none
	Feed          *Feed    `json:"feed,omitempty"`           // of a feeding: what was fed; nil for the usual
	TargetPercent float64  `json:"target_percent,omitempty"` // of a target and a replan
	SeenPercent   float64  `json:"seen_percent,omitempty"`   // of a look: the rise, percent of the start volume
	DoughC        *float64 `json:"dough_c,omitempty"`        // of a temperature: Celsius
	StepID        string   `json:"step_id,omitempty"`        // of begun, step and skip
	Why           string   `json:"why,omitempty"`            // of skip, in a person's words
	Said          *Said    `json:"said,omitempty"`           // of replan: what changed
	Answer        string   `json:"answer,omitempty"`         // to the question of a step
	Note          string   `json:"note,omitempty"`
	Outcome       string   `json:"outcome,omitempty"` // of a judgement: under, right, over or empty
	OvenSpring    string   `json:"oven_spring,omitempty"`
	Plan          *Chosen  `json:"plan,omitempty"` // of a plan
	Away          *Span    `json:"away,omitempty"` // of away: from when until when
}

// NoBatch as the name of a batch says that a rise belongs to none that is known.
const NoBatch = "-"

// ByItself signs the events that tidemark notes without being told.
const ByItself = "itself"

// Refusal is an event that makes no sense now.
type Refusal struct {
	Why  string // shown to the person; empty until Said is put into words
	Said Said
	Ask  *Ask // what is to be told first; nil where that would not help
}

func (r Refusal) Error() string {
	if r.Why == "" {
		return fmt.Sprintf("%s %v", r.Said.Key, r.Said.Values)
	}
	return r.Why
}

// Refuse returns a Refusal by the end of its key in the catalogue.
func Refuse(key string, v Values) Refusal { return Refusal{Said: Said{"refused." + key, v}} }
