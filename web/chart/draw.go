package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// layout is where everything of one chart goes.
type layout struct {
	c           Chart
	from, until time.Time
	x           scale // nanoseconds since from
	y           scale // rise, main plot
	temp        scale // temperature strip, household unit
	hasTemp     bool
	top, base   float64 // main plot, upper and lower edge
	stripTop    float64
	foot        float64 // lower edge of the lowest plot
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
	l := layout{c: c, top: headRoom, foot: float64(c.Height) - axisHeight}
	l.from, l.until = timeRange(c)
	l.x = scale{0, float64(l.until.Sub(l.from)), leftMargin, float64(c.Width) - rightMargin}
	if c.titled() {
		l.top += titleHeight
	}
	l.base = l.foot
	if lo, hi, ok := tempRange(c); ok {
		l.hasTemp, l.stripTop = true, l.foot-stripHeight
		l.base = l.stripTop - stripCaption
		l.temp = scale{lo, hi, l.foot, l.stripTop}
	}
	lo, hi := riseRange(c)
	l.y = scale{lo, hi, l.base, l.top}
	return l
}

// px is the pixel of a moment.
func (l layout) px(t time.Time) float64 { return l.x.at(float64(t.Sub(l.from))) }

// holds reports whether a moment is on the paper.
func (l layout) holds(t time.Time) bool { return !t.Before(l.from) && !t.After(l.until) }

// timeRange is the time shown: from the first sample to beyond what is still
// to come, so that the mark's window is on the paper.
func timeRange(c Chart) (from, until time.Time) {
	from, until = c.Now, c.Now
	for _, s := range c.all() {
		if from.IsZero() || s.Time.Before(from) {
			from = s.Time
		}
		until = bake.Later(until, s.Time)
	}
	if from.IsZero() {
		from = time.Unix(0, 0)
	}
	until = bake.Later(from, until)
	switch n := len(c.Fan); {
	case c.Now.IsZero():
	case c.Ready.Until.After(c.Now):
		until = bake.Later(until, c.Ready.Until.Add(c.Ready.Until.Sub(from)/8))
	case n > 0:
		ahead := max(time.Hour, until.Sub(from)/3)
		until = bake.Later(until, bake.Earlier(c.Fan[n-1].Time, c.Now.Add(ahead)))
	default:
		until = until.Add(until.Sub(from) / 20)
	}
	return from, bake.Later(until, from.Add(time.Hour))
}

// riseRange is the range of the rise axis in percent.
func riseRange(c Chart) (lo, hi float64) {
	lo, hi = 0, 20
	for _, s := range c.all() {
		if r := s.believed(); finite(r) {
			lo, hi = math.Min(lo, r), math.Max(hi, r*1.06)
		}
	}
	if c.hasMark() {
		hi = math.Max(hi, c.Mark.Percent*1.16)
	}
	most := hi * 1.25
	for _, f := range c.Fan {
		if finite(f.P90Percent) {
			hi = math.Max(hi, math.Min(f.P90Percent*1.03, most))
		}
	}
	return math.Max(lo-2, -50), hi
}

// tempRange is the range of the temperature strip in the household's unit.
func tempRange(c Chart) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
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
	if mid := (lo + hi) / 2; hi-lo < 4 {
		lo, hi = mid-2, mid+2
	}
	pad := (hi - lo) * 0.1
	return c.temperature(lo - pad), c.temperature(hi + pad), true
}

// draw paints the chart, background first.
func (l layout) draw(cv canvas) {
	cv.area("paper", rect(0, 0, float64(l.c.Width), float64(l.c.Height)))
	l.drawNights(cv)
	l.drawGrid(cv)
	if fan := l.future(); len(fan) > 1 {
		cv.line("median", l.drawSpread(cv, "fan", fan)...)
	}
	runs := l.runs(l.c.Samples, Sample.believed, l.gap(), thin)
	for _, run := range runs {
		if len(run) > 1 {
			l.drawSpread(cv, "band", spreads(run))
		}
	}
	l.drawBest(cv)
	l.drawLines(cv)
	if l.c.hasMark() {
		y := l.y.at(l.c.Mark.Percent)
		cv.line("mark", point{l.x.p0, y}, point{l.x.p1, y})
		cv.text("marktext", point{l.x.p0 + 4, y - 6}, atStart, l.c.markLabel())
	}
	l.drawEvents(cv, runs)
	l.drawRejected(cv)
	l.drawMeasured(cv, runs)
	l.drawTemperatures(cv)
	l.drawNow(cv)
	if l.c.titled() {
		cv.text("title", point{2, 16}, atStart, l.c.Title)
	}
}

func (l layout) drawNights(cv canvas) {
	if l.c.Lines != nil {
		return // they have no time of day
	}
	for _, n := range nights(l.from, l.until, l.c.zone()) {
		x0, x1 := l.px(n[0]), l.px(n[1])
		cv.area("night", rect(x0, l.top, x1, l.base))
		if l.hasTemp {
			cv.area("night", rect(x0, l.stripTop, x1, l.foot))
		}
	}
}

// drawGrid paints the lines of the rise with their numbers, and the times under the axis
// with the day where it changes.
func (l layout) drawGrid(cv canvas) {
	l.drawRules(cv, l.y, math.Max(l.y.v0, 0), 4, "")
	right, lastDay := float64(l.c.Width), ""
	for _, t := range timeTicks(l.from, l.until, l.c.zone(), (l.x.p1-l.x.p0)/64) {
		t = t.In(l.c.zone())
		a, x := atMiddle, l.px(t)
		if x+20 > right {
			a, x = atEnd, right-1
		}
		label, day := l.c.hour(t), l.c.day(t)
		if l.c.Lines != nil {
			label, day = fmt.Sprintf("%g h", t.Sub(Origin()).Hours()), ""
		}
		cv.text("axis", point{x, l.foot + 15}, a, label)
		if day != lastDay {
			lastDay = day
			half := max(32, textWidth("axis", day)/2)
			cv.text("axis", point{math.Min(math.Max(x, half), right-half), l.foot + 29}, atMiddle, day)
		}
	}
}

// drawRules paints lines across with their numbers.
func (l layout) drawRules(cv canvas, s scale, low float64, want int, unit string) {
	for _, v := range ticks(low, s.v1, want) {
		y := s.at(v)
		cv.line("grid", point{l.x.p0, y}, point{l.x.p1, y})
		cv.text("axis", point{l.x.p0 - 7, y + 4}, atEnd, fmt.Sprintf("%g%s", v, unit))
	}
}

// future is the part of the forecast that is on the paper and not in the past. It grows
// from the last level that was believed, if that was seen just now.
func (l layout) future() []estimator.FanPoint {
	var out []estimator.FanPoint
	for _, f := range l.c.Fan {
		if !f.Time.Before(l.c.Now) && l.holds(f.Time) && finite(f.P10Percent+f.P50Percent+f.P90Percent) {
			out = append(out, f)
		}
	}
	for _, s := range slices.Backward(l.c.Samples) {
		if !finite(s.believed()) {
			continue
		}
		if len(out) > 0 && s.Time.Before(out[0].Time) && l.c.Now.Sub(s.Time).Abs() <= minGap {
			out = append(spreads([]Sample{s}), out...)
		}
		break
	}
	return out
}

// spreads are measured levels with their doubt. The 90th percentile of the normal
// distribution lies 1.2816 standard deviations from its middle.
func spreads(run []Sample) []estimator.FanPoint {
	out := make([]estimator.FanPoint, len(run))
	for i, s := range run {
		w := 0.0
		if finite(s.SD) {
			w = 1.2816 * s.SD
		}
		out[i] = estimator.FanPoint{Time: s.Time, P10Percent: s.RisePercent - w, P50Percent: s.RisePercent, P90Percent: s.RisePercent + w}
	}
	return out
}

// drawSpread paints what lies between the tenth and the ninetieth percentile, and returns
// the middle.
func (l layout) drawSpread(cv canvas, s style, pts []estimator.FanPoint) (middle []point) {
	var upper, lower []point
	for _, f := range pts {
		x := l.px(f.Time)
		upper = append(upper, point{x, l.y.clamp(f.P90Percent)})
		middle = append(middle, point{x, l.y.clamp(f.P50Percent)})
		lower = append(lower, point{x, l.y.clamp(f.P10Percent)})
	}
	slices.Reverse(lower)
	cv.area(s, append(upper, lower...))
	return middle
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
	slices.Sort(d)
	return max(minGap, 5*d[len(d)/2])
}

// thin is how far apart in pixels points of a line are drawn at least: nearer ones
// nobody sees, and a page carries them twice.
const thin = 1.8

// never is longer than any time without a reading.
const never = time.Duration(math.MaxInt64)

// runs are the samples of which something is known and on the paper, a number of pixels
// apart and cut at gaps.
func (l layout) runs(samples []Sample, of func(Sample) float64, gap time.Duration, apart float64) [][]Sample {
	var out [][]Sample
	var last time.Time
	lastX := math.Inf(-1)
	for _, s := range samples {
		if !finite(of(s)) || !l.holds(s.Time) {
			continue
		}
		x := l.px(s.Time)
		switch {
		case len(out) == 0 || s.Time.Sub(last) > gap:
			out, lastX = append(out, []Sample{s}), x
		case x-lastX >= apart:
			out[len(out)-1], lastX = append(out[len(out)-1], s), x
		}
		last = s.Time
	}
	return out
}

// points are where samples lie on an axis.
func (l layout) points(run []Sample, of func(Sample) float64, y scale) []point {
	out := make([]point, 0, len(run))
	for _, s := range run {
		out = append(out, point{l.px(s.Time), y.clamp(of(s))})
	}
	return out
}

// drawBest paints the household's best rise as a pale line, with its name.
func (l layout) drawBest(cv canvas) {
	for _, run := range l.runs(l.c.Best, Sample.believed, never, 0) {
		if len(run) < 2 {
			continue
		}
		pts, words := l.points(run, Sample.believed, l.y), l.c.say("chart.best")
		cv.line("best", pts...)
		at := pts[len(pts)/2]
		cv.text("word", point{math.Max(at.x-8, l.x.p0+textWidth("word", words)), at.y - 8}, atEnd, words)
	}
}

// drawLines paints rises over each other, each with its number at its end.
func (l layout) drawLines(cv canvas) {
	for i, line := range l.c.Lines {
		for _, run := range l.runs(line, Sample.believed, never, 1) {
			if len(run) < 2 {
				continue
			}
			pts := l.points(run, Sample.believed, l.y)
			end := pts[len(pts)-1]
			cv.line(series(i), pts...)
			cv.text("nowtext", point{math.Min(end.x+3, float64(l.c.Width)-textWidth("nowtext", "00")), end.y + 4}, atStart, fmt.Sprint(i+1))
		}
	}
	if l.c.AxisWords != "" {
		cv.text("axis", point{l.x.p0, l.foot + 30}, atStart, l.c.AxisWords)
	}
}

// drawMeasured paints the measured line, and says where the vessel was not seen, where
// there is room to.
func (l layout) drawMeasured(cv canvas, runs [][]Sample) {
	for _, run := range runs {
		pts := l.points(run, Sample.believed, l.y)
		if len(pts) == 1 {
			cv.dots("line", 1.5, pts)
			continue
		}
		cv.line("line", pts...)
	}
	words := l.c.say("chart.not_seen")
	for i := 1; i < len(runs); i++ {
		x0, x1 := l.px(runs[i-1][len(runs[i-1])-1].Time), l.px(runs[i][0].Time)
		if x1-x0 > textWidth("axis", words) {
			cv.text("axis", point{(x0 + x1) / 2, l.base - 8}, atMiddle, words)
		}
	}
}

// drawRejected paints what was seen and not believed, where it lies on the paper.
func (l layout) drawRejected(cv canvas) {
	seen := func(s Sample) float64 {
		if !s.Rejected || !(s.RisePercent >= l.y.v0 && s.RisePercent <= l.y.v1) {
			return math.NaN()
		}
		return s.RisePercent
	}
	for _, run := range l.runs(l.c.Samples, seen, never, 1) {
		cv.dots("rejected", 2, l.points(run, seen, l.y))
	}
}

// together is how near in pixels events of one word stand under one label.
const together = 110.0

// drawEvents paints ticks at the foot of the plot; neighbours of one word share a
// label with their number.
func (l layout) drawEvents(cv canvas, runs [][]Sample) {
	events := slices.DeleteFunc(slices.Clone(l.c.Events), func(e Event) bool { return !l.holds(e.Time) })
	slices.SortStableFunc(events, func(a, b Event) int { return a.Time.Compare(b.Time) })
	free := l.x.p0
	for i := 0; i < len(events); {
		first, last, n := l.px(events[i].Time), 0.0, 0
		for ; i+n < len(events) && events[i+n].Word == events[i].Word; n++ {
			x := l.px(events[i+n].Time)
			if n > 0 && x-last >= together {
				break
			}
			last = x
			cv.line("tick", point{x, l.base - 12}, point{x, l.base})
		}
		words := events[i].Word
		if n > 1 {
			words = fmt.Sprintf("%d × %s", n, words)
		}
		i += n
		w := textWidth("word", words)
		left := math.Min((first+last-w)/2, float64(l.c.Width)-w-1)
		if left < free {
			left = first
		}
		if left >= free { // else there is no room: the tick stands for itself
			cv.text("word", point{left, l.above(runs, left, left+w)}, atStart, words)
			free = left + w + 6
		}
	}
}

// above is where a word between two pixels stands: near the foot of the plot, or over
// the measured line where that lies low.
func (l layout) above(runs [][]Sample, from, until float64) float64 {
	y := l.base - 18
	for _, s := range slices.Concat(runs...) {
		x, line := l.px(s.Time), l.y.clamp(s.RisePercent)
		if x > from-6 && x < until+6 && line > l.base-60 {
			y = math.Min(y, line-10)
		}
	}
	return y
}

// drawTemperatures paints the strip of temperatures under the main plot. Its caption
// names the lines with their last values.
func (l layout) drawTemperatures(cv canvas) {
	if !l.hasTemp {
		return
	}
	l.drawRules(cv, l.temp, l.temp.v0, 3, "°")
	var caption []string
	for _, line := range []struct {
		style style
		of    func(Sample) float64
	}{{"air", func(s Sample) float64 { return l.c.temperature(s.AirC) }}, {"dough", func(s Sample) float64 { return l.c.temperature(s.DoughC) }}} {
		for _, run := range l.runs(l.c.Samples, line.of, l.gap(), thin) {
			if len(run) > 1 {
				cv.line(line.style, l.points(run, line.of, l.temp)...)
			}
		}
	}
	for _, line := range []struct {
		key string
		of  func(Sample) float64
	}{{"chart.dough", func(s Sample) float64 { return s.DoughC }}, {"chart.air", func(s Sample) float64 { return s.AirC }}} {
		for _, s := range slices.Backward(l.c.Samples) {
			if c := line.of(s); finite(c) {
				caption = append(caption, l.c.say(line.key)+" "+l.c.Locale.TempFine(c))
				break
			}
		}
	}
	cv.text("axis", point{l.x.p0, l.stripTop - 7}, atStart, strings.Join(caption, ";  "))
}

func (l layout) drawNow(cv canvas) {
	if l.c.Now.IsZero() || !l.holds(l.c.Now) {
		return
	}
	x, words := l.px(l.c.Now), l.c.say("strip.now")
	cv.line("now", point{x, l.top}, point{x, l.foot})
	if x+textWidth("nowtext", words)+6 < l.x.p1 {
		cv.text("nowtext", point{x + 5, l.top + 4}, atStart, words)
	} else {
		cv.text("nowtext", point{x - 5, l.top + 4}, atEnd, words)
	}
}
