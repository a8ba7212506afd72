package chart

import (
	"fmt"
	"math"
	"sort"
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
	for _, v := range ticks(math.Max(l.y.v0, 0), l.y.v1, 5) {
		y := l.y.at(v)
		cv.line(grid, point{l.x.p0, y}, point{l.x.p1, y})
		cv.text(axisText, point{l.x.p0 - 5, y + 4}, atEnd, fmt.Sprintf("%g %%", v))
	}
	lastDay := ""
	for _, tk := range timeTicks(l.x, l.c.Zone, 58) {
		x := l.x.at(tk.t)
		cv.line(grid, point{x, l.top}, point{x, l.base})
		if l.hasTemp {
			cv.line(grid, point{x, l.stripTop}, point{x, l.stripBase})
		}
		l.timeLabel(cv, tk.t.In(l.c.Zone), x, &lastDay)
	}
}

// timeLabel writes the time under the axis and, where the day changes, the day.
func (l layout) timeLabel(cv canvas, t time.Time, x float64, lastDay *string) {
	a := atMiddle
	if x+20 > float64(l.c.Width) {
		a, x = atEnd, float64(l.c.Width)-1
	}
	cv.text(axisText, point{x, l.bottom() + 15}, a, l.c.Units.hour(t))
	if day := t.Format("Mon 2 Jan"); day != *lastDay {
		*lastDay = day
		cv.text(axisText, point{math.Min(x, float64(l.c.Width)-32), l.bottom() + 29}, atMiddle, day)
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
	_, last, ok := ends(l.c.Samples)
	if !ok || l.c.Now.Sub(last.Time).Abs() > minGap {
		return estimator.FanPoint{}, false
	}
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
	const words = "not seen"
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
		if !s.Rejected || !finite(s.RisePercent) {
			continue
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

// drawMark paints the level line with its name and, on it, the window in which
// the mark is reached.
func (l layout) drawMark(cv canvas) {
	if !l.c.hasMark() {
		return
	}
	y := l.y.at(l.c.Mark.Percent)
	cv.line(markLine, point{l.x.p0, y}, point{l.x.p1, y})
	cv.text(markText, point{l.x.p0 + 4, y - 6}, atStart, l.c.markLabel())
	w := l.c.Ready
	if w.IsZero() || !l.x.holds(w.Median) {
		return
	}
	x0 := math.Max(l.x.at(w.From), l.x.p0)
	x1 := math.Min(l.x.at(w.Until), l.x.p1)
	if x1-x0 >= 1 {
		cv.line(window, point{x0, y}, point{x1, y})
	}
	xm := l.x.at(w.Median)
	cv.line(markLine, point{xm, y - 9}, point{xm, y + 9})
}

// markLabel names the mark.
func (c Chart) markLabel() string {
	if c.Mark.Name == "" {
		return fmt.Sprintf("mark, %.0f %%", c.Mark.Percent)
	}
	return fmt.Sprintf("mark: %s (%.0f %%)", c.Mark.Name, c.Mark.Percent)
}

// drawEvents paints ticks with words above the plot and a short tick on the
// line itself. Words are set from right to left, so that the tick of a word in
// the upper row never runs through a word of the lower one.
func (l layout) drawEvents(cv canvas) {
	events := append([]Event(nil), l.c.Events...)
	sort.SliceStable(events, func(i, j int) bool { return events[i].Time.After(events[j].Time) })
	free := [wordRows]float64{}
	for r := range free {
		free[r] = float64(l.c.Width)
	}
	for _, e := range events {
		if l.x.holds(e.Time) {
			l.drawEvent(cv, e, &free)
		}
	}
}

// drawEvent paints one tick and, if there is room, its word.
func (l layout) drawEvent(cv canvas, e Event, free *[wordRows]float64) {
	x := l.x.at(e.Time)
	from := l.top
	left := l.wordLeft(x, e.Word)
	for r := range free {
		if left+textWidth(eventText, e.Word)+5 > free[r] {
			continue
		}
		for below := range r { // the tick runs through the rows below
			free[below] = math.Min(free[below], x)
		}
		free[r] = math.Min(left, x)
		y := l.top - 6 - wordRow*float64(r)
		from = y - 9
		cv.text(eventText, point{left, y}, atStart, e.Word)
		break
	}
	cv.line(eventTick, point{x, from}, point{x, l.top})
	if y, ok := l.lineAt(e.Time); ok {
		cv.line(eventTick, point{x, math.Max(y-7, l.top)}, point{x, math.Min(y+7, l.base)})
	}
}

// lineAt is the height of the measured line at a moment, if it was measured.
func (l layout) lineAt(t time.Time) (float64, bool) {
	for _, run := range l.runs() {
		if t.Before(run[0].Time) || t.After(run[len(run)-1].Time) {
			continue
		}
		i := sort.Search(len(run), func(i int) bool { return !run[i].Time.Before(t) })
		return l.y.clamp(run[i].RisePercent), true
	}
	return 0, false
}

// wordLeft is where a word begins: right of its tick, but on the paper.
func (l layout) wordLeft(x float64, word string) float64 {
	return math.Max(0, math.Min(x+3, float64(l.c.Width)-textWidth(eventText, word)-1))
}

func (l layout) drawNow(cv canvas) {
	if l.c.Now.IsZero() || !l.x.holds(l.c.Now) {
		return
	}
	x := l.x.at(l.c.Now)
	cv.line(nowLine, point{x, l.top}, point{x, l.bottom()})
	words := "now " + l.c.Units.clock(l.c.Now.In(l.c.Zone))
	room := textWidth(nowText, words) + 4
	if x+room < l.x.p1 {
		cv.text(nowText, point{x + 4, l.base - 6}, atStart, words)
	} else {
		cv.text(nowText, point{x - 4, l.base - 6}, atEnd, words)
	}
}
