// Package calendar writes a timetable as an iCalendar file (RFC 5545).
//
// Invariants: pure apart from the writer it is given; the same step of the same
// bake keeps its UID, so that importing again replaces it; times are in UTC.
//
// What it does not do: it reads no calendars and knows no time zones.
package calendar

import (
	"fmt"
	"io"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"tidemark/bake"
)

// Bake is what is written.
type Bake struct {
	ID    string // stable for the bake, e.g. "bake-41"; letters, digits and dashes
	Title string
	Steps []bake.Step
	Stamp time.Time              // when this timetable was made
	Alarm time.Duration          // how long before a step with hands to remind; 0 for no reminder
	Speak func(bake.Said) string // says a sentence to the household
}

// Write writes the steps that still lie ahead or are under way. Steps done or
// left out are not written.
func Write(w io.Writer, b Bake) error {
	cal := ics.NewCalendarFor("tidemark")
	cal.SetProductId("-//tidemark//timetable//EN")
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(b.Title)
	for _, s := range b.Steps {
		if !s.Open() || s.At.IsZero() {
			continue
		}
		b.add(cal, s)
	}
	if err := cal.SerializeTo(w, ics.WithNewLineWindows); err != nil {
		return fmt.Errorf("the calendar cannot be written: %w", err)
	}
	return nil
}

// add writes one step as an event.
func (b Bake) add(cal *ics.Calendar, s bake.Step) {
	e := cal.AddEvent(fmt.Sprintf("%s-%s@tidemark", b.ID, s.ID))
	e.SetDtStampTime(b.Stamp.UTC())
	e.SetStartAt(s.At.UTC())
	e.SetEndAt(s.At.Add(max(s.Takes, 5*time.Minute)).UTC())
	e.SetSummary(strings.TrimSpace(b.Title + ": " + b.Speak(s.Name)))
	e.SetDescription(b.describe(s))
	if s.Hands && b.Alarm > 0 {
		a := e.AddAlarm()
		a.SetAction(ics.ActionDisplay)
		a.SetDescription(b.Speak(s.Name))
		a.SetTrigger(fmt.Sprintf("-PT%dM", int(b.Alarm.Minutes())))
	}
	if !s.Hands {
		e.SetTimeTransparency(ics.TransparencyTransparent)
	}
}

// describe is the text of an event.
func (b Bake) describe(s bake.Step) string {
	all := append([]bake.Said{s.Question, s.Do}, s.Why...)
	if s.Until.Sub(s.From) > 2*time.Minute {
		all = append(all, bake.Said{Key: "calendar.between", Values: bake.Values{"from": s.From, "until": s.Until}})
	}
	if len(s.Caution) > 0 {
		all = append(all, bake.Said{Key: "calendar.caution", Values: bake.Values{"caution": s.Caution}})
	}
	var parts []string
	for _, p := range all {
		if p.Key != "" {
			parts = append(parts, b.Speak(p))
		}
	}
	return strings.Join(parts, "\n")
}
