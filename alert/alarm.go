package alert

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"tidemark/bake"
)

// What says what happened to an alarm.
type What string

// The things that happen to an alarm.
const (
	WasRaised    What = "raised"
	WasUpdated   What = "updated"   // same alarm, newer text
	WasEscalated What = "escalated" // same alarm, more urgent
	WasResolved  What = "resolved"
	WasRefreshed What = "refreshed" // same alarm, today's figures; nothing to send
)

// Change is one thing that happened to an alarm in one Step.
type Change struct {
	Alarm    Alarm
	What     What
	ClockSet bool // whether the wall clock could be trusted at that moment
}

// State is where an alarm is in its life.
type State string

// The states of an alarm.
const (
	Firing       State = "firing"
	Acknowledged State = "acknowledged"
	Snoozed      State = "snoozed"
	Resolved     State = "resolved"
)

// Alarm is one thing to tell, with its life so far. ID is stable: the same
// condition of the same rise keeps it, so that a resend replaces.
type Alarm struct {
	ID           string
	Kind         Kind
	Reason       string // named reason, e.g. "past_mark", "no_rise_left"
	Vessel       string
	RiseID       int64
	State        State
	Since        time.Time // condition first seen
	FiredAt      time.Time
	AckedAt      time.Time
	AckedBy      string
	SnoozedAt    time.Time // when somebody asked for quiet
	SnoozedUntil time.Time
	ResolvedAt   time.Time
	Title        string
	Text         string // sentences: what, since when, what to do
	Priority     int    // 1 lowest .. 5 most urgent
	Level        int    // escalation steps taken
	LastSentAt   time.Time
	Tap          bake.EventKind // what a button of its message tells as done; empty for none
}

// maxIDLength keeps IDs usable as the last part of a URL or topic.
const maxIDLength = 64

// alarmID returns the stable ID of an alarm. For a kind that comes once in a rise it
// depends on vessel, kind and rise only; for the others also on what it is about and
// since when it was seen, so that the same inputs folded again come to the same ID.
func alarmID(a Alarm, sub string, perRise bool, started, seen time.Time) string {
	parts := []string{string(a.Kind)}
	if a.Kind == StepDue || a.Kind == ProbeLost {
		parts = append(parts, sub)
	}
	if !ofMachine(a.Kind) {
		parts = append(parts, a.Vessel)
	}
	switch {
	case perRise && a.RiseID != 0:
		return SafeID(append(parts, fmt.Sprint(a.RiseID))...)
	case perRise:
		return SafeID(append(parts, fmt.Sprint(started.Unix()))...)
	}
	return SafeID(append(parts, fmt.Sprint(seen.Unix()))...)
}

// SafeID joins parts with "-" into letters, digits, "-" and "_". When that
// loses anything, a piece of a hash keeps IDs apart.
func SafeID(parts ...string) string {
	whole := strings.Join(parts, "-")
	id := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '_'
	}, whole)
	if id == whole && len(id) <= maxIDLength {
		return id
	}
	sum := sha256.Sum256([]byte(whole))
	tail := "-" + hex.EncodeToString(sum[:5])
	return id[:min(len(id), maxIDLength-len(tail))] + tail
}

// ClockStep says which times a clock that was set takes along: those from From on and
// before Before, by By. A zero From or Before does not bound. From and Before are
// times before the move.
type ClockStep struct {
	From, Before time.Time
	By           time.Duration
}

// covers reports whether a time moves. A zero time never does: it is no time.
func (m ClockStep) covers(t time.Time) bool {
	return !t.IsZero() && !t.Before(m.From) && (m.Before.IsZero() || t.Before(m.Before))
}

// Times moves those of the times that are covered, in place.
func (m ClockStep) Times(ts ...*time.Time) {
	for _, t := range ts {
		if m.covers(*t) {
			*t = t.Add(m.By)
		}
	}
}

// along moves times that lie ahead of a covered moment and hang on it.
func (m ClockStep) along(moment time.Time, ts ...*time.Time) {
	if m.covers(moment) {
		ClockStep{By: m.By}.Times(ts...)
	}
}

// Alarm returns the alarm with its times moved. A snooze moves with the moment at
// which somebody asked for it.
func (m ClockStep) Alarm(a Alarm) Alarm {
	m.along(a.SnoozedAt, &a.SnoozedUntil)
	m.Times(&a.Since, &a.FiredAt, &a.AckedAt, &a.SnoozedAt, &a.ResolvedAt, &a.LastSentAt)
	return a
}

// Notification returns the notification with its times moved, those of the message in
// it as well: quiet hours and expiry count from the moment it was written.
func (m ClockStep) Notification(n Notification) Notification {
	m.along(n.CreatedAt, &n.Message.Due)
	m.Times(&n.Message.Since, &n.CreatedAt, &n.SentAt)
	return n
}
