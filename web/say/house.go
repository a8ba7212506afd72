// Package say puts what is known about a vessel into sentences and into a
// table of events, as a tide table tells when the water will be where.
//
// Units: percent of rise (0 = start, 100 = doubled), degrees Celsius in,
// Celsius or Fahrenheit out, times in the household's zone. An interval is
// always given with its chance; the windows of package estimator hold 8 in 10.
//
// Invariants: every function is pure; the moment is an argument. What is not
// known is said with its reason, never guessed.
//
// The package does not judge dough and does not decide what to do: it words
// the estimate, the steps and the alarms it is handed.
package say

import (
	"fmt"
	"math"
	"time"

	"tidemark/estimator"
)

// House is how a household writes times and temperatures.
type House struct {
	Zone       *time.Location // nil means UTC
	Clock12    bool           // 6:05 pm instead of 18:05
	Fahrenheit bool
}

func (h House) zone() *time.Location {
	if h.Zone == nil {
		return time.UTC
	}
	return h.Zone
}

// Clock writes a time of day.
func (h House) Clock(t time.Time) string {
	if h.Clock12 {
		return t.In(h.zone()).Format("3:04 pm")
	}
	return t.In(h.zone()).Format("15:04")
}

// Moment writes a time as seen from now: today without a day, the days beside
// it by name, within six days the weekday, else the date.
func (h House) Moment(t, now time.Time) string {
	switch d := h.daysApart(t, now); {
	case d == 0:
		return h.Clock(t)
	case d == 1:
		return "tomorrow " + h.Clock(t)
	case d == -1:
		return "yesterday " + h.Clock(t)
	case d > -7 && d < 7:
		return t.In(h.zone()).Format("Mon ") + h.Clock(t)
	}
	return t.In(h.zone()).Format("2 Jan 2006 ") + h.Clock(t)
}

// At is Moment as part of a sentence: "at 16:30", "tomorrow 06:10".
func (h House) At(t, now time.Time) string {
	if h.daysApart(t, now) == 0 {
		return "at " + h.Clock(t)
	}
	return h.Moment(t, now)
}

// daysApart is how many calendar days t lies after now.
func (h House) daysApart(t, now time.Time) int {
	a, b := t.In(h.zone()), now.In(h.zone())
	midA := time.Date(a.Year(), a.Month(), a.Day(), 0, 0, 0, 0, time.UTC)
	midB := time.Date(b.Year(), b.Month(), b.Day(), 0, 0, 0, 0, time.UTC)
	return int(midA.Sub(midB).Hours() / 24)
}

// Date writes the day of a moment.
func (h House) Date(t time.Time) string { return t.In(h.zone()).Format("Mon 2 Jan 2006") }

// Between writes a window, naming the day once if both ends share it.
func (h House) Between(from, until, now time.Time) string {
	if h.daysApart(from, until) == 0 {
		return h.Moment(from, now) + " and " + h.Clock(until)
	}
	return h.Moment(from, now) + " and " + h.Moment(until, now)
}

// Temperature writes degrees with their unit, or "not known".
func (h House) Temperature(c float64) string {
	if math.IsNaN(c) || math.IsInf(c, 0) {
		return "not known"
	}
	return fmt.Sprintf("%.1f %s", h.scale(c), h.unit())
}

// Percent writes a rise in whole percent, or "not known".
func Percent(p float64) string {
	if math.IsNaN(p) || math.IsInf(p, 0) {
		return "not known"
	}
	return fmt.Sprintf("%.0f %%", p+0)
}

// Duration writes a length of time in the two largest units.
func Duration(d time.Duration) string {
	d = d.Round(time.Minute)
	days, h, m := int(d.Hours())/24, int(d.Hours())%24, int(d.Minutes())%60
	switch {
	case days > 0 && h > 0:
		return fmt.Sprintf("%d d %d h", days, h)
	case days > 0:
		return fmt.Sprintf("%d d", days)
	case h > 0 && m > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case h > 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d min", m)
}

// InTen writes a chance as cases of ten, never as certain.
func InTen(chance float64) string {
	n := int(math.Round(chance * 10))
	switch {
	case math.IsNaN(chance):
		return "not known"
	case n <= 0:
		return "less than 1 in 10"
	case n >= 10:
		return "more than 9 in 10"
	}
	return fmt.Sprintf("%d in 10", n)
}

// Content names what is in the vessel.
func Content(h estimator.Holds) string {
	if h == estimator.Starter {
		return "starter"
	}
	return "dough"
}
