package alert

import (
	"encoding/json"
	"time"
)

// ClockStep says which times a clock that was set takes along: those from From on and
// before Before, by By. A zero From or Before does not bound. From and Before are
// times before the move.
type ClockStep struct {
	From, Before time.Time
	By           time.Duration
}

// Covers reports whether a time moves. A zero time never does: it is no time.
func (m ClockStep) Covers(t time.Time) bool {
	return !t.IsZero() && !t.Before(m.From) && (m.Before.IsZero() || t.Before(m.Before))
}

// Times moves those of the times that are covered, in place.
func (m ClockStep) Times(ts ...*time.Time) {
	for _, t := range ts {
		if m.Covers(*t) {
			*t = t.Add(m.By)
		}
	}
}

// along moves times that lie ahead of a covered moment and hang on it.
func (m ClockStep) along(moment time.Time, ts ...*time.Time) {
	if m.Covers(moment) {
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

// Notification returns the notification with its times moved, those of the message in it as
// well: quiet hours and expiry count from the moment it was written. A body that
// cannot be read stays as it is.
func (m ClockStep) Notification(l Notification) Notification {
	var body Message
	if json.Unmarshal(l.Body, &body) == nil {
		m.along(l.CreatedAt, &body.Due)
		m.Times(&body.Since)
		if moved, err := json.Marshal(body); err == nil {
			l.Body = moved
		}
	}
	m.Times(&l.CreatedAt, &l.SentAt)
	return l
}
