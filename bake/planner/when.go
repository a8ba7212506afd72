package planner

import (
	"fmt"
	"strings"
	"time"
)

// ParseWhen reads a moment as people say it, in now's zone: "18:00" (the next
// one), "today 18:00", "tomorrow 08:00", a weekday "sat 10:00" (the next one
// after now), "2026-03-08 08:00", or RFC 3339.
func ParseWhen(s string, now time.Time) (time.Time, error) {
	text := strings.ToLower(strings.TrimSpace(s))
	if t, err := time.Parse(time.RFC3339, strings.ToUpper(text)); err == nil {
		return t.In(now.Location()), nil
	}
	if t, err := time.ParseInLocation("2006-01-02 15:04", text, now.Location()); err == nil {
		return t, nil
	}
	words := strings.Fields(text)
	if len(words) == 0 || len(words) > 2 {
		return time.Time{}, badWhen(s)
	}
	clock, err := time.Parse("15:04", words[len(words)-1])
	if err != nil {
		return time.Time{}, badWhen(s)
	}
	min := clock.Hour()*60 + clock.Minute()
	if len(words) == 1 {
		return nextDay(now, min, func(time.Time) bool { return true }), nil
	}
	switch words[0] {
	case "today":
		return onDay(now, min), nil
	case "tomorrow":
		return onDay(now.AddDate(0, 0, 1), min), nil
	}
	for d := time.Sunday; d <= time.Saturday; d++ {
		full := strings.ToLower(d.String())
		if len(words[0]) >= 3 && strings.HasPrefix(full, words[0]) {
			return nextDay(now, min, func(t time.Time) bool { return t.Weekday() == d }), nil
		}
	}
	return time.Time{}, badWhen(s)
}

// nextDay is the first fitting day whose minute lies after now.
func nextDay(now time.Time, min int, fits func(time.Time) bool) time.Time {
	t := onDay(now, min)
	for i := 1; !t.After(now) || !fits(t); i++ {
		t = onDay(now.AddDate(0, 0, i), min)
	}
	return t
}

func badWhen(s string) error {
	return fmt.Errorf("%q is no time; expected e.g. \"tomorrow 08:00\", \"sat 10:00\", \"18:30\" or \"2026-03-08 08:00\"", s)
}

// onDay is a minute of t's day.
func onDay(t time.Time, min int) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, min/60, min%60, 0, 0, t.Location())
}
