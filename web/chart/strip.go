package chart

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"
)

// drawTemperatures paints the strip of temperatures under the main plot.
func (l layout) drawTemperatures(cv canvas) {
	if !l.hasTemp {
		return
	}
	for _, v := range ticks(l.temp.v0, l.temp.v1, 3) {
		y := l.temp.at(v)
		cv.line(grid, point{l.x.p0, y}, point{l.x.p1, y})
		cv.text(axisText, point{l.x.p0 - 7, y + 4}, atEnd, fmt.Sprintf("%g°", v))
	}
	l.drawTemperature(cv, airLine, func(s Sample) float64 { return s.AirC })
	l.drawTemperature(cv, doughLine, func(s Sample) float64 { return s.DoughC })
	cv.text(axisText, point{l.x.p0, l.stripTop - 7}, atStart, l.tempCaption())
}

// drawTemperature paints one line of the strip.
func (l layout) drawTemperature(cv canvas, st style, of func(Sample) float64) {
	gap := l.gap()
	var run []point
	var last time.Time
	flush := func() {
		if len(run) > 1 {
			cv.line(st, run...)
		}
		run = nil
	}
	for _, s := range l.c.Samples {
		v := of(s)
		if !finite(v) {
			continue
		}
		if s.Time.Sub(last) > gap {
			flush()
		}
		last = s.Time
		x := l.x.at(s.Time)
		if n := len(run); n == 0 || x-run[n-1].x >= thin {
			run = append(run, point{x, l.temp.clamp(l.c.temperature(v))})
		}
	}
	flush()
}

// tempCaption names the lines with their last values.
func (l layout) tempCaption() string {
	dough, air := math.NaN(), math.NaN()
	for _, s := range l.c.Samples {
		if finite(s.DoughC) {
			dough = s.DoughC
		}
		if finite(s.AirC) {
			air = s.AirC
		}
	}
	var parts []string
	if finite(dough) {
		parts = append(parts, l.c.say("chart.dough")+" "+l.c.Locale.TempFine(dough))
	}
	if finite(air) {
		parts = append(parts, l.c.say("chart.air")+" "+l.c.Locale.TempFine(air))
	}
	return strings.Join(parts, ";  ")
}

// runs are the believed samples, thinned to one a pixel and cut at gaps.
func (l layout) runs() [][]Sample {
	gap := l.gap()
	var out [][]Sample
	var last time.Time
	lastX := math.Inf(-1)
	for _, s := range l.c.Samples {
		if s.Rejected || !finite(s.RisePercent) {
			continue
		}
		x := l.x.at(s.Time)
		switch {
		case len(out) == 0 || s.Time.Sub(last) > gap:
			out = append(out, []Sample{s})
			lastX = x
		case x-lastX >= thin:
			out[len(out)-1] = append(out[len(out)-1], s)
			lastX = x
		}
		last = s.Time
	}
	return out
}

// minGap is the shortest time without a reading that breaks the line.
const minGap = 10 * time.Minute

// gap is the time without a reading that breaks the line: five times the usual
// distance of samples, and never under minGap.
func (l layout) gap() time.Duration {
	var d []time.Duration
	for i := 1; i < len(l.c.Samples); i++ {
		d = append(d, l.c.Samples[i].Time.Sub(l.c.Samples[i-1].Time))
	}
	if len(d) == 0 {
		return minGap
	}
	sort.Slice(d, func(i, j int) bool { return d[i] < d[j] })
	return max(minGap, 5*d[len(d)/2])
}

// thin is how far apart in pixels points of a line are drawn at least: nearer ones
// nobody sees, and a page carries them twice.
const thin = 1.8
