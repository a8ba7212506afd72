// Package say writes moments, temperatures and lengths of time as a household
// writes them.
//
// Units: degrees Celsius in, Celsius or Fahrenheit out, times in the household's
// zone, rises in percent of the start volume. Every function is pure; the moment
// is an argument. What is not known is said so, never shown as a number.
//
// Where a vessel stands is worded by package glance from the catalogue.
package say

import (
	"fmt"
	"math"
	"time"
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

// scale is a temperature given in Celsius on the household's scale.
func (h House) scale(c float64) float64 {
	if h.Fahrenheit {
		return c*9/5 + 32
	}
	return c
}

// unit is that of the household's scale.
func (h House) unit() string {
	if h.Fahrenheit {
		return "°F"
	}
	return "°C"
}
