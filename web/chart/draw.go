package chart

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// draw paints the chart, background first.
func (l layout) draw(cv canvas) {
	cv.area(paper, rect(0, 0, float64(l.c.Width), float64(l.c.Height)))
	l.drawNights(cv)
	l.drawGrid(cv)
	l.drawFan(cv)
	l.drawBand(cv)
	l.drawBest(cv)
	l.drawLines(cv)
	l.drawMark(cv)
	l.drawEvents(cv)
	l.drawRejected(cv)
	l.drawMeasured(cv)
	l.drawGaps(cv)
	l.drawTemperatures(cv)
	l.drawNow(cv)
	if l.c.titled() {
		cv.text(titleText, point{2, 16}, atStart, l.c.Title)
	}
}

// bottom is the lower edge of the lowest plot.
func (l layout) bottom() float64 {
	if l.hasTemp {
		return l.stripBase
	}
	return l.base
}

func (l layout) drawNights(cv canvas) {
	for _, n := range nights(l.c, l.x.t0, l.x.t1) {
		x0, x1 := l.x.at(n[0]), l.x.at(n[1])
		cv.area(night, rect(x0, l.top, x1, l.base))
		if l.hasTemp {
			cv.area(night, rect(x0, l.stripTop, x1, l.stripBase))
		}
	}
}

func (l layout) drawGrid(cv canvas) {
	for _, v := range ticks(math.Max(l.y.v0, 0), l.y.v1, 4) {
		y := l.y.at(v)
		cv.line(grid, point{l.x.p0, y}, point{l.x.p1, y})
		cv.text(axisText, point{l.x.p0 - 7, y + 4}, atEnd, fmt.Sprintf("%g", v))
	}
	lastDay := ""
	for _, t := range timeTicks(l.x, l.c.zone(), 64) {
		l.timeLabel(cv, t.In(l.c.zone()), l.x.at(t), &lastDay)
	}
}

// timeLabel writes the time under the axis and, where the day changes, the day.
func (l layout) timeLabel(cv canvas, t time.Time, x float64, lastDay *string) {
	a := atMiddle
	if x+20 > float64(l.c.Width) {
		a, x = atEnd, float64(l.c.Width)-1
	}
	if l.c.Lines != nil {
		cv.text(axisText, point{x, l.bottom() + 15}, a, fmt.Sprintf("%g h", t.Sub(Origin()).Hours()))
		return
	}
	cv.text(axisText, point{x, l.bottom() + 15}, a, l.c.hour(t))
	if day := l.c.day(t); day != *lastDay {
		*lastDay = day
		half := max(32, textWidth(axisText, day)/2)
		cv.text(axisText, point{math.Min(math.Max(x, half), float64(l.c.Width)-half), l.bottom() + 29}, atMiddle, day)
	}
}

// drawFan paints the forecast from now on, P10 to P90, and its median.
func (l layout) drawFan(cv canvas) {
	pts := l.futureFan()
	if len(pts) < 2 {
		return
	}
	var upper, mid []point
	var lower []point
	for _, f := range pts {
		x := l.x.at(f.Time)
		upper = append(upper, point{x, l.y.clamp(f.P90Percent)})
		mid = append(mid, point{x, l.y.clamp(f.P50Percent)})
		lower = append(lower, point{x, l.y.clamp(f.P10Percent)})
	}
	cv.area(fan, closed(upper, lower))
	cv.line(median, mid...)
}

// futureFan is the part of the fan that is on the paper and not in the past.
func (l layout) futureFan() []estimator.FanPoint {
	var out []estimator.FanPoint
	for _, f := range l.c.Fan {
		if f.Time.Before(l.c.Now) || !l.x.holds(f.Time) {
			continue
		}
		if finite(f.P10Percent) && finite(f.P50Percent) && finite(f.P90Percent) {
			out = append(out, f)
		}
	}
	if first, ok := l.fanRoot(); ok && len(out) > 0 && first.Time.Before(out[0].Time) {
		out = append([]estimator.FanPoint{first}, out...)
	}
	return out
}

// fanRoot is where the fan grows from: the last level that was believed, if it
// was seen just now.
func (l layout) fanRoot() (estimator.FanPoint, bool) {
	i := len(l.c.Samples) - 1
	for i >= 0 && (l.c.Samples[i].Rejected || !finite(l.c.Samples[i].RisePercent)) {
		i--
	}
	if i < 0 || l.c.Now.Sub(l.c.Samples[i].Time).Abs() > minGap {
		return estimator.FanPoint{}, false
	}
	last := l.c.Samples[i]
	w := 0.0
	if finite(last.SD) {
		w = z80 * last.SD
	}
	return estimator.FanPoint{Time: last.Time, P10Percent: last.RisePercent - w, P50Percent: last.RisePercent, P90Percent: last.RisePercent + w}, true
}

// closed joins an upper and a lower edge to one outline.
func closed(upper, lower []point) []point {
	out := append([]point(nil), upper...)
	for i := len(lower) - 1; i >= 0; i-- {
		out = append(out, lower[i])
	}
	return out
}

// z80 is how many standard deviations hold 8 of 10 cases each way: the 90th
// percentile of the normal distribution.
const z80 = 1.2816

// drawBand paints the doubt of the measured line.
func (l layout) drawBand(cv canvas) {
	for _, run := range l.runs() {
		var upper, lower []point
		for _, s := range run {
			sd := s.SD
			if !finite(sd) {
				sd = 0
			}
			x := l.x.at(s.Time)
			upper = append(upper, point{x, l.y.clamp(s.RisePercent + z80*sd)})
			lower = append(lower, point{x, l.y.clamp(s.RisePercent - z80*sd)})
		}
		if len(run) > 1 {
			cv.area(band, closed(upper, lower))
		}
	}
}

// drawBest paints the household's best rise as a pale line, with its name.
func (l layout) drawBest(cv canvas) {
	var pts []point
	for _, s := range l.c.Best {
		if !s.Rejected && finite(s.RisePercent) && l.x.holds(s.Time) {
			pts = append(pts, point{l.x.at(s.Time), l.y.clamp(s.RisePercent)})
		}
	}
	if len(pts) < 2 {
		return
	}
	cv.line(best, pts...)
	at := pts[len(pts)/2]
	cv.text(eventText, point{math.Max(at.x-8, l.x.p0+textWidth(eventText, l.c.say("chart.best"))), at.y - 8}, atEnd, l.c.say("chart.best"))
}

// drawLines paints rises over each other, each with its number at its end.
func (l layout) drawLines(cv canvas) {
	for i, line := range l.c.Lines {
		var pts []point
		for _, s := range line {
			if x := l.x.at(s.Time); l.x.holds(s.Time) && (len(pts) == 0 || x-pts[len(pts)-1].x >= 1) {
				pts = append(pts, point{x, l.y.clamp(s.RisePercent)})
			}
		}
		if len(pts) < 2 {
			continue
		}
		end := pts[len(pts)-1]
		cv.line(series(i), pts...)
		cv.text(nowText, point{math.Min(end.x+3, float64(l.c.Width)-textWidth(nowText, "00")), end.y + 4}, atStart, fmt.Sprint(i+1))
	}
	if l.c.AxisWords != "" {
		cv.text(axisText, point{l.x.p0, l.bottom() + 30}, atStart, l.c.AxisWords)
	}
}

func (l layout) drawMeasured(cv canvas) {
	for _, run := range l.runs() {
		pts := make([]point, 0, len(run))
		for _, s := range run {
			pts = append(pts, point{l.x.at(s.Time), l.y.clamp(s.RisePercent)})
		}
		if len(pts) == 1 {
			cv.dots(measured, 1.5, pts)
			continue
		}
		cv.line(measured, pts...)
	}
}

// drawGaps says where the vessel was not seen, where there is room to.
func (l layout) drawGaps(cv canvas) {
	runs := l.runs()
	words := l.c.say("chart.not_seen")
	for i := 1; i < len(runs); i++ {
		x0 := l.x.at(runs[i-1][len(runs[i-1])-1].Time)
		x1 := l.x.at(runs[i][0].Time)
		if x1-x0 > textWidth(axisText, words) {
			cv.text(axisText, point{(x0 + x1) / 2, l.base - 8}, atMiddle, words)
		}
	}
}

func (l layout) drawRejected(cv canvas) {
	var pts []point
	last := math.Inf(-1)
	for _, s := range l.c.Samples {
		if !s.Rejected || !(s.RisePercent >= l.y.v0 && s.RisePercent <= l.y.v1) {
			continue // off the paper
		}
		if x := l.x.at(s.Time); x-last >= 1 {
			pts = append(pts, point{x, l.y.clamp(s.RisePercent)})
			last = x
		}
	}
	if len(pts) > 0 {
		cv.dots(rejected, 2, pts)
	}
}

// drawMark paints the level line with its name.
func (l layout) drawMark(cv canvas) {
	if !l.c.hasMark() {
		return
	}
	y := l.y.at(l.c.Mark.Percent)
	cv.line(markLine, point{l.x.p0, y}, point{l.x.p1, y})
	cv.text(markText, point{l.x.p0 + 4, y - 6}, atStart, l.c.markLabel())
}

// markLabel names the mark.
func (c Chart) markLabel() string {
	if c.Mark.Name == "" {
		return fmt.Sprintf("%.0f %%", c.Mark.Percent)
	}
	return c.Mark.Name
}

// together is how near in pixels events of one word stand under one label.
const together = 110.0

// drawEvents paints ticks at the foot of the plot; neighbours of one word share a
// label with their number.
func (l layout) drawEvents(cv canvas) {
	events := slices.DeleteFunc(slices.Clone(l.c.Events), func(e Event) bool { return !l.x.holds(e.Time) })
	slices.SortStableFunc(events, func(a, b Event) int { return a.Time.Compare(b.Time) })
	free := l.x.p0
	for i := 0; i < len(events); {
		n := 1
		for i+n < len(events) && events[i+n].Word == events[i].Word && l.x.at(events[i+n].Time)-l.x.at(events[i+n-1].Time) < together {
			n++
		}
		free = l.drawGroup(cv, events[i:i+n], free)
		i += n
	}
}

// drawGroup paints the ticks of one label and returns where the next may begin.
func (l layout) drawGroup(cv canvas, events []Event, free float64) float64 {
	first, last := l.x.at(events[0].Time), l.x.at(events[len(events)-1].Time)
	for _, e := range events {
		x := l.x.at(e.Time)
		cv.line(eventTick, point{x, l.base - 12}, point{x, l.base})
	}
	words := events[0].Word
	if len(events) > 1 {
		words = fmt.Sprintf("%d × %s", len(events), words)
	}
	w := textWidth(eventText, words)
	left := math.Min((first+last-w)/2, float64(l.c.Width)-w-1)
	if left < free {
		left = first
	}
	if left < free {
		return free // no room: the tick stands for itself
	}
	cv.text(eventText, point{left, l.above(left, left+w)}, atStart, words)
	return left + w + 6
}

// above is where a word between two pixels stands: near the foot of the plot, or over
// the measured line where that lies low.
func (l layout) above(from, until float64) float64 {
	y := l.base - 18
	for _, run := range l.runs() {
		for _, s := range run {
			x, line := l.x.at(s.Time), l.y.clamp(s.RisePercent)
			if x > from-6 && x < until+6 && line > l.base-60 {
				y = math.Min(y, line-10)
			}
		}
	}
	return y
}

func (l layout) drawNow(cv canvas) {
	if l.c.Now.IsZero() || !l.x.holds(l.c.Now) {
		return
	}
	x := l.x.at(l.c.Now)
	cv.line(nowLine, point{x, l.top}, point{x, l.bottom()})
	words := l.c.say("strip.now")
	if x+textWidth(nowText, words)+6 < l.x.p1 {
		cv.text(nowText, point{x + 5, l.top + 4}, atStart, words)
	} else {
		cv.text(nowText, point{x - 5, l.top + 4}, atEnd, words)
	}
}
