// Package glance puts the State of a vessel into what a person sees at first: one
// word, one big time, how far that is from now, how sure it is, the level on a
// staff, and the one thing to do with its button.
//
// It decides nothing. Where a vessel stands and what to do is bake.State's, the
// words are those of the catalogue in alert/text; this package chooses which time
// is the big one and which sentence stands beside it, one row of a table for each
// status. Every function is pure, the moment is that of the State.
//
// Units: percent of rise (0 = start, 100 = doubled), Celsius in, the household's
// scale out, shares of a picture's length 0 to 1. What is not known is left out or
// said with its reason, never shown as 0.
package glance

import (
	"fmt"
	"math"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// Input is what a glance is made from.
type Input struct {
	State        bake.State
	Alarms       []alert.Alarm
	ByHand       bool // nothing measures the level
	ClockInDoubt bool // the machine's clock is not set
	Reading      bool // the reader may not change anything: no buttons
}

// Glance is one vessel at first sight, in the household's words.
type Glance struct {
	Vessel   string
	RiseID   int64
	Status   bake.Status
	Name     string // of the loaf or starter
	Place    string // vessel and temperature
	Chip     string // the same in a word, for the row of vessels
	Word     string // what happens at the big time
	Big      string // the time, or the word that stands in its place
	Suffix   string // "pm" beside a time of the 12-hour clock
	IsTime   bool   // Big is a time of day
	Day      string // of the big time when it is not today; else empty
	Away     string // "in 2 h 10", "8 min ago"
	Sentence string
	Doubt    string // a second sentence when something is in doubt; else empty
	Strip    *Strip // nil without a range
	Staff    Staff
	Now      string // "Now", "Next"
	Do       string // what to do, a line
	How      string // in a sentence
	Caution  string
	AskSeen  bool // how far it has risen is to be told with the main button
	Main     *Tap // nil when nothing is to be done
	Other    *Tap
	Else     []Tap // what else may have happened
	Judge    bool  // the loaf is to be judged
	Calls    bool  // it wants a hand
	Warnings []Warning
	Messages []Warning // open alarms that the status says already, and those that were seen
}

// Tap is a button.
type Tap struct {
	Kind   bake.EventKind
	Step   string  // the step it is about; empty for none
	Answer string  // to the step's question
	Target float64 // the rise that it makes the target; 0 for none
	Label  string
}

// Strip is a range of time as a strip: shares of its length, and its ends in digits.
type Strip struct {
	Now, From, Mid, Until float64
	FromText, UntilText   string
}

// Warning is an alarm that the status does not tell already.
type Warning struct {
	ID, Title, Text string
	Quiet           bool   // seen, or snoozed
	Tap             *Tap   // does what it advises; nil for nothing
	Moved           string // says that the dough stands elsewhere now; empty where that is not advised
}

// teller carries what the parts of a glance share.
type teller struct {
	in  Input
	s   *bake.State
	l   *text.Localizer
	v   text.Values // of the words that stand first
	out Glance
}

// Of returns the glance of one vessel.
func Of(in Input, l *text.Localizer) Glance {
	t := &teller{in: in, s: &in.State, l: l.At(in.State.At)}
	s := t.s
	t.out = Glance{Vessel: s.Vessel, RiseID: s.RiseID, Status: s.Status, Name: t.name(), Place: t.place()}
	t.headline()
	t.doubt()
	t.todo()
	t.out.Staff = t.staff()
	t.warnings()
	t.out.Chip = t.chip()
	if in.Reading {
		t.out.Main, t.out.Other, t.out.Else, t.out.Judge = nil, nil, nil, false
	}
	return t.out
}

// say says a key of the page.
func (t *teller) say(key string, v text.Values) string { return t.l.Say("page."+key, v) }

// name is what rises here.
func (t *teller) name() string {
	if s := t.s; s.Batch != "" && s.Batch != bake.NoBatch {
		return Upper(s.Batch)
	}
	return Upper(t.s.Vessel)
}

// place is where it stands and how warm it is there.
func (t *teller) place() string {
	p := ""
	if t.name() != Upper(t.s.Vessel) {
		p = t.s.Vessel
	}
	c := t.s.Estimate.DoughC
	if math.IsNaN(c) {
		c = t.s.Estimate.AirC
	}
	if t.s.After != nil && !math.IsNaN(t.s.After.CoreC) {
		c = t.s.After.CoreC
	}
	if math.IsNaN(c) || c == 0 && t.s.Estimate.Time.IsZero() {
		return p
	}
	return joined(" · ", p, t.l.Temp(c))
}

// chip is the vessel in a word: what it wants, or its time.
func (t *teller) chip() string {
	switch {
	case t.out.Calls:
		key := "chip." + t.s.Now.Key
		if t.s.Now.Key == bake.TodoStep {
			if name := t.stepName(t.s.Now.StepID); name != "" {
				return name
			}
		}
		if t.s.Now.Key == bake.TodoInTime && t.out.Main != nil {
			return lower(t.out.Main.Label)
		}
		if t.l.Has("page." + key) {
			return t.say(key, nil)
		}
	case t.out.IsTime:
		return joined(" ", t.out.Day, joined(" ", t.out.Big, t.out.Suffix))
	}
	return t.say("state."+string(t.s.Status), nil)
}

// told are the kinds of alarm that a status says already.
func told(k alert.Kind, s bake.Status) bool {
	switch k {
	case alert.StepDue, alert.Near, alert.Reached, alert.Over, alert.LevelsOff, alert.PlanMoved, alert.ClockNotSet,
		alert.StarterPeak, alert.StarterFalling, alert.StarterHungry:
		return true
	case alert.SensorLost, alert.SensorSuspect:
		return s == bake.StatusBlind
	}
	return false
}

// warnings sorts the open alarms: what nothing on the page says already stands
// first, the rest further down.
func (t *teller) warnings() {
	for _, a := range t.in.Alarms {
		w := Warning{ID: a.ID, Title: a.Title, Text: a.Text, Quiet: a.State != alert.Firing}
		t.remedy(&w, a.Kind)
		switch {
		case a.State != alert.Firing && a.State != alert.Acknowledged && a.State != alert.Snoozed:
		case w.Quiet || told(a.Kind, t.s.Status):
			t.out.Messages = append(t.out.Messages, w)
		default:
			t.out.Warnings = append(t.out.Warnings, w)
		}
	}
}

// remedy gives a warning the buttons for what it advises.
func (t *teller) remedy(w *Warning, k alert.Kind) {
	key := map[alert.Kind]string{alert.TooHot: "cooler", alert.TooCold: "warmer"}[k]
	if key == "" || t.s.RiseID == 0 {
		return
	}
	w.Moved = t.say("moved."+key, nil)
	if !t.s.InFridge && !same(t.out.Main, Tap{Kind: bake.EventFridge}) {
		w.Tap = &Tap{Kind: bake.EventFridge, Label: t.say("moved."+key+".fridge", nil)}
	}
}

// doubt says what is in doubt: the clock, the sight, the chance to get there.
func (t *teller) doubt() {
	e := &t.s.Estimate
	switch {
	case t.in.ClockInDoubt:
		t.out.Doubt = t.say("doubt.clock", nil)
	case (t.in.ByHand || t.s.ByHand) && t.s.RiseID != 0:
		t.out.Doubt = t.say("doubt.hand", nil)
	case t.s.Status == bake.StatusRising || t.s.Status == bake.StatusWaiting:
		if c := e.ReachChance; !math.IsNaN(c) && 1-c > stallChance && t.s.Holds == estimator.Dough {
			t.out.Doubt = t.say("doubt.stalls", text.Values{"percent": math.Round(20*(1-c)) * 5, "target_percent": e.TargetPercent})
		}
	}
}

// stallChance is the chance of never getting to the mark from which it is told.
const stallChance = 0.2

// away says how far a moment is from now.
func (t *teller) away(at time.Time) string {
	switch d := at.Sub(t.s.At).Round(time.Minute); {
	case at.IsZero():
		return ""
	case d.Abs() < time.Minute:
		return t.say("now.away", nil)
	case d > 0:
		return t.say("in", text.Values{"span": t.span(d)})
	default:
		return t.say("ago", text.Values{"span": t.span(-d)})
	}
}

// span says a length of time as short as it goes: "25 min", "2 h 10", "3 days".
func (t *teller) span(d time.Duration) string {
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h >= 48:
		return t.l.SayN("page.span.days", h/24, nil)
	case h == 0:
		return t.say("span.minutes", text.Values{"minutes": max(1, m)})
	case m == 0:
		return t.say("span.hours", text.Values{"hours": h})
	}
	return t.say("span.both", text.Values{"hours": h, "minutes": fmt.Sprintf("%02d", m)})
}
