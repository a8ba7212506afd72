package chart

import (
	"math"
	"time"
)

// layout is where everything of one chart goes.
type layout struct {
	c         Chart
	x         timeScale
	y         scale // rise, main plot
	temp      scale // temperature strip, household unit
	hasTemp   bool
	top, base float64 // main plot, upper and lower edge
	stripTop  float64
	stripBase float64
}

// Margins and heights in pixels.
const (
	leftMargin   = 34.0
	rightMargin  = 12.0
	titleHeight  = 22.0
	headRoom     = 14.0 // for the word beside now
	axisHeight   = 34.0 // time labels in two rows
	stripHeight  = 56.0
	stripCaption = 24.0
)

// newLayout places a chart.
func newLayout(c Chart) layout {
	l := layout{c: c}
	t0, t1 := timeRange(c)
	w, h := float64(c.Width), float64(c.Height)
	l.x = timeScale{t0, t1, leftMargin, w - rightMargin}
	l.top = headRoom
	if c.titled() {
		l.top += titleHeight
	}
	l.base = h - axisHeight
	tLo, tHi, ok := tempRange(c)
	if ok {
		l.hasTemp = true
		l.stripBase = l.base
		l.stripTop = l.base - stripHeight
		l.base = l.stripTop - stripCaption
		l.temp = scale{tLo, tHi, l.stripBase, l.stripTop}
	}
	lo, hi := riseRange(c)
	l.y = scale{lo, hi, l.base, l.top}
	return l
}

// timeRange is the time shown: from the first sample to beyond what is still
// to come, so that the mark's window is on the paper.
func timeRange(c Chart) (time.Time, time.Time) {
	t0, t1 := c.Now, c.Now
	for _, s := range c.all() {
		if t0.IsZero() || s.Time.Before(t0) {
			t0 = s.Time
		}
		if s.Time.After(t1) {
			t1 = s.Time
		}
	}
	if t0.IsZero() {
		t0 = time.Unix(0, 0)
	}
	if t1.Before(t0) {
		t1 = t0
	}
	if !c.Now.IsZero() {
		t1 = latest(t1, futureEnd(c, t0, t1))
	}
	if t1.Sub(t0) < time.Hour {
		t1 = t0.Add(time.Hour)
	}
	return t0, t1
}

// futureEnd is how far ahead the chart looks.
func futureEnd(c Chart, t0, t1 time.Time) time.Time {
	if c.Ready.Until.After(c.Now) {
		return c.Ready.Until.Add(c.Ready.Until.Sub(t0) / 8)
	}
	if n := len(c.Fan); n > 0 {
		ahead := max(time.Hour, t1.Sub(t0)/3)
		return earliest(c.Fan[n-1].Time, c.Now.Add(ahead))
	}
	return t1.Add(t1.Sub(t0) / 20)
}

// riseRange is the range of the rise axis in percent.
func riseRange(c Chart) (float64, float64) {
	lo, hi := 0.0, 20.0
	for _, s := range c.all() {
		if !s.Rejected && finite(s.RisePercent) {
			lo, hi = math.Min(lo, s.RisePercent), math.Max(hi, s.RisePercent*1.06)
		}
	}
	if c.hasMark() {
		hi = math.Max(hi, c.Mark.Percent*1.16)
	}
	cap := hi * 1.25
	for _, f := range c.Fan {
		if finite(f.P90Percent) {
			hi = math.Max(hi, math.Min(f.P90Percent*1.03, cap))
		}
	}
	return math.Max(lo-2, -50), hi
}

// tempRange is the range of the temperature strip in the household's unit.
func tempRange(c Chart) (float64, float64, bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range c.Samples {
		for _, v := range [2]float64{s.DoughC, s.AirC} {
			if finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	if lo > hi {
		return 0, 0, false
	}
	if hi-lo < 4 {
		mid := (lo + hi) / 2
		lo, hi = mid-2, mid+2
	}
	pad := (hi - lo) * 0.1
	return c.temperature(lo - pad), c.temperature(hi + pad), true
}
