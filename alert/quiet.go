package alert

import (
	"slices"
	"time"
)

// Quiet are the hours in which only some kinds of alarm are told. The zero
// Quiet has none.
type Quiet struct {
	From, Until string // "22:30", in the household's zone; both empty for none
	Break       []Kind // kinds told all the same; nil for DefaultBreak

	zone *time.Location
}

// DefaultBreak returns the kinds that break through quiet hours when nothing
// else is set: those that cannot wait until the morning.
func DefaultBreak() []Kind {
	var kinds []Kind
	for _, k := range Kinds() {
		if policies()[k].breaks {
			kinds = append(kinds, k)
		}
	}
	return kinds
}

// Validate checks the times and kinds. The error is a *FieldError.
func (q Quiet) Validate() error {
	if (q.From == "") != (q.Until == "") {
		return fieldErrorf("quiet_from", "quiet hours need both quiet_from and quiet_until; add the other one or remove this")
	}
	for _, t := range []struct{ field, value string }{{"quiet_from", q.From}, {"quiet_until", q.Until}} {
		if _, ok := minuteOfDay(t.value); t.value != "" && !ok {
			return fieldErrorf(t.field, "%q is not a time of day; write it like \"22:30\"", t.value)
		}
	}
	for _, k := range q.Break {
		if !slices.Contains(Kinds(), k) {
			return fieldErrorf("quiet_break", "%q is no kind of alarm; use some of: %s", k, kindList())
		}
	}
	return nil
}

// Hold returns when an alarm of a kind may be told: now, or the end of the
// quiet hours.
func (q Quiet) Hold(kind Kind, now time.Time) time.Time {
	from, ok1 := minuteOfDay(q.From)
	until, ok2 := minuteOfDay(q.Until)
	if !ok1 || !ok2 || from == until || q.breaks(kind) {
		return now
	}
	zone := q.zone
	if zone == nil {
		zone = time.UTC
	}
	local := now.In(zone)
	minute := local.Hour()*60 + local.Minute()
	inside := minute >= from && minute < until
	if from > until {
		inside = minute >= from || minute < until
	}
	if !inside {
		return now
	}
	end := time.Date(local.Year(), local.Month(), local.Day(), until/60, until%60, 0, 0, zone)
	if !end.After(now) {
		end = time.Date(local.Year(), local.Month(), local.Day()+1, until/60, until%60, 0, 0, zone)
	}
	return end
}

// breaks reports whether a kind is told in quiet hours.
func (q Quiet) breaks(kind Kind) bool {
	if q.Break == nil {
		return policies()[kind].breaks
	}
	return slices.Contains(q.Break, kind)
}

// minuteOfDay reads "15:04".
func minuteOfDay(s string) (int, bool) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, false
	}
	return t.Hour()*60 + t.Minute(), true
}
