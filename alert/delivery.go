package alert

import (
	"slices"
	"time"
)

// What follows decides who is told when; all of it is pure.

// Escalation: each interval is a part of the one before, down to a least one.
const (
	shorten     = 0.7
	leastAgain  = 5 * time.Minute
	maxLevel    = 4 // the highest escalation step
	lateAfter   = 5 * time.Minute
	quietLayout = "15:04"
)

// Quiet are the hours in which only some kinds of alarm are told. The zero
// Quiet has none.
type Quiet struct {
	From, Until string // "22:30", in the household's zone; both empty for none

	zone *time.Location
}

// hold returns when an alarm of a kind may be told: now, or the end of the
// quiet hours.
func (q Quiet) hold(kind Kind, now time.Time) time.Time {
	from, err1 := time.Parse(quietLayout, q.From)
	until, err2 := time.Parse(quietLayout, q.Until)
	if err1 != nil || err2 != nil || from.Equal(until) || policyOf(kind).breaks {
		return now
	}
	zone := q.zone
	if zone == nil {
		zone = time.UTC
	}
	local := now.In(zone)
	begin, end, at := minuteOfDay(from), minuteOfDay(until), minuteOfDay(local)
	inside := at >= begin && at < end
	if begin > end {
		inside = at >= begin || at < end
	}
	if !inside {
		return now
	}
	day := local.Day()
	if at >= end {
		day++
	}
	return time.Date(local.Year(), local.Month(), day, until.Hour(), until.Minute(), 0, 0, zone)
}

// minuteOfDay returns the minutes since midnight.
func minuteOfDay(t time.Time) int { return t.Hour()*60 + t.Minute() }

// takes reports whether an alarm of a kind goes through the route at a level.
func (r *Route) takes(kind Kind, level int) bool {
	return level >= r.FromLevel && (len(r.Only) == 0 || slices.Contains(r.Only, kind))
}

// laterLevel returns the lowest level above an alarm's own at which one more route
// takes it; 0 when there is none.
func laterLevel(routes []Route, a Alarm) int {
	level := 0
	for i := range routes {
		if from := routes[i].FromLevel; from > a.Level && routes[i].takes(a.Kind, from) && (level == 0 || from < level) {
			level = from
		}
	}
	return level
}

// again returns the time between one telling and the next at a level.
func (p policy) again(level int) time.Duration {
	wait := p.repeat
	for range level {
		wait = time.Duration(float64(wait) * shorten)
	}
	return max(wait, min(p.repeat, leastAgain))
}

// tellAgainDue reports whether an alarm that nobody has answered is to be told more
// urgently now: not in quiet hours, and counted from their end when it waited for it.
func (q Quiet) tellAgainDue(a Alarm, now time.Time) bool {
	p := policyOf(a.Kind)
	if a.State != Firing || p.repeat == 0 || a.Level >= maxLevel || q.hold(a.Kind, now).After(now) {
		return false
	}
	return now.Sub(q.hold(a.Kind, a.LastSentAt)) >= p.again(a.Level)
}

// expired reports whether a message is not worth sending any more. One written by a
// clock that could not be trusted never expires.
func (q Quiet) expired(m Message, now time.Time) bool {
	lasts := policyOf(m.Kind).lasts
	return lasts > 0 && !m.Due.IsZero() && now.After(q.hold(m.Kind, m.Due).Add(lasts))
}

// late returns how late a message is; 0 when it is not worth a word, or when it was
// held back on purpose.
func (q Quiet) late(m Message, now time.Time) time.Duration {
	if late := now.Sub(q.hold(m.Kind, m.Due)); !m.Due.IsZero() && late > lateAfter {
		return late
	}
	return 0
}

// messageOf returns the message of a notification about an alarm.
func messageOf(a Alarm, what What, n Notification, clockSet bool) Message {
	m := Message{ID: n.ID, AlarmID: a.ID, What: what, Kind: a.Kind, Reason: a.Reason, Vessel: a.Vessel, RiseID: a.RiseID,
		Title: a.Title, Text: a.Text, Priority: min(5, max(1, a.Priority)), Level: a.Level, Since: a.Since, Tap: a.Tap}
	if clockSet {
		m.Due = n.CreatedAt
	}
	return m
}
