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
	for i := range 9 {
		y, m, d := now.AddDate(0, 0, i).Date()
		t := time.Date(y, m, d, clock.Hour(), clock.Minute(), 0, 0, now.Location())
		day := strings.ToLower(t.Weekday().String())
		switch word := words[0]; {
		case word == "today" && i == 0, word == "tomorrow" && i == 1, t.After(now) && (len(words) == 1 || len(word) >= 3 && strings.HasPrefix(day, word)):
			return t, nil
		}
	}
	return time.Time{}, badWhen(s)
}

func badWhen(s string) error {
	return fmt.Errorf("%q is no time; expected e.g. \"tomorrow 08:00\", \"sat 10:00\", \"18:30\" or \"2026-03-08 08:00\"", s)
}
