package chart

import (
	"fmt"
	"strings"
	"time"
)

// Describe says in words what the chart shows: its text alternative. It gives
// the start, the last level, the mark with its window, and what was done.
func Describe(c Chart) string {
	if c.Alt != "" {
		return c.Alt
	}
	c = c.withDefaults()
	var parts []string
	if first, last, ok := ends(c.Samples); ok {
		parts = append(parts, fmt.Sprintf("Rise over time from %s to %s, last %.0f %%.",
			c.moment(first.Time), c.moment(last.Time), last.RisePercent))
	} else {
		parts = append(parts, "No level has been measured yet.")
	}
	if c.hasMark() {
		parts = append(parts, fmt.Sprintf("The target of %.0f %%%s.", c.Mark.Percent, c.windowWords()))
	}
	if n := countRejected(c.Samples); n > 0 {
		parts = append(parts, fmt.Sprintf("%d readings did not fit and are shown as rings.", n))
	}
	var done []string
	for _, e := range c.Events {
		done = append(done, e.Word+" at "+c.moment(e.Time))
	}
	if len(done) > 0 {
		parts = append(parts, "Ticks: "+strings.Join(done, ", ")+".")
	}
	return strings.Join(parts, " ")
}

// windowWords says when the mark is reached.
func (c Chart) windowWords() string {
	w := c.Ready
	switch {
	case w.IsZero():
		return " has no forecast"
	case !c.Now.IsZero() && w.Median.After(c.Now):
		return fmt.Sprintf(" is reached about %s, between %s and %s",
			c.moment(w.Median), c.moment(w.From), c.moment(w.Until))
	}
	return " was reached at " + c.moment(w.Median)
}

// moment writes a time, with the weekday when it is not the day of the chart.
func (c Chart) moment(t time.Time) string {
	local := t.In(c.Zone)
	ref := c.Now
	if ref.IsZero() && len(c.Samples) > 0 {
		ref = c.Samples[0].Time
	}
	if local.Format("2006-01-02") != ref.In(c.Zone).Format("2006-01-02") {
		return local.Format("Mon ") + c.Units.clock(local)
	}
	return c.Units.clock(local)
}

// ends are the first and the last believed samples.
func ends(samples []Sample) (first, last Sample, ok bool) {
	for _, s := range samples {
		if s.Rejected || !finite(s.RisePercent) {
			continue
		}
		if !ok {
			first, ok = s, true
		}
		last = s
	}
	return first, last, ok
}

func countRejected(samples []Sample) int {
	n := 0
	for _, s := range samples {
		if s.Rejected {
			n++
		}
	}
	return n
}
