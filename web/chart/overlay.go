package chart

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// Place is one point of a line of an overlay.
type Place struct {
	Hours   float64 // since the start: of the clock, or of growth at one temperature
	Percent float64 // rise
}

// Line is one rise of an overlay.
type Line struct {
	Name   string
	Places []Place
}

// Overlay lays several rises over each other, all begun at zero.
type Overlay struct {
	ID, Class     string
	Title, Alt    string // the picture in a word, and in words; neither is drawn
	Lines         []Line
	Mark          Mark
	AxisWords     string // what the hours are, e.g. "hours since the start"
	Width, Height int    // pixels, without the list of names; 0 means 720 by 400
}

// legendRow is the height of one name under the plot in pixels.
const legendRow = 19.0

// OverlaySVG writes the overlay as SVG. Errors come from w alone.
func OverlaySVG(w io.Writer, o Overlay, form Form) error {
	l := newOverlayLayout(o)
	s := &svgCanvas{}
	s.open(l.o.ID, l.o.Class, l.o.Title, o.Alt, l.o.Width, l.height(), form, "")
	l.draw(s)
	s.b.WriteString("</svg>\n")
	_, err := w.Write(s.b.Bytes())
	return err
}

// overlayLayout is where everything of an overlay goes.
type overlayLayout struct {
	o         Overlay
	x, y      scale
	top, base float64
}

func newOverlayLayout(o Overlay) overlayLayout {
	if o.Width <= 0 || o.Height <= 0 {
		o.Width, o.Height = 720, 400
	}
	if o.ID == "" {
		o.ID = "overlay"
	}
	maxHours, lo, hi := 1.0, 0.0, 20.0
	for _, line := range o.Lines {
		for _, p := range line.Places {
			if finite(p.Hours) && finite(p.Percent) {
				maxHours = math.Max(maxHours, p.Hours)
				lo, hi = math.Min(lo, p.Percent), math.Max(hi, p.Percent*1.05)
			}
		}
	}
	if finite(o.Mark.Percent) && o.Mark.Percent > 0 {
		hi = math.Max(hi, o.Mark.Percent*1.12)
	}
	l := overlayLayout{o: o, top: 8, base: float64(o.Height) - axisHeight}
	l.x = scale{0, maxHours, leftMargin, float64(o.Width) - rightMargin - 14}
	l.y = scale{math.Max(lo-2, -50), hi, l.base, l.top}
	return l
}

// height is the height with the list of names.
func (l overlayLayout) height() int {
	return l.o.Height + int(legendRow)*len(l.o.Lines) + 4
}

func (l overlayLayout) draw(cv canvas) {
	cv.area(paper, rect(0, 0, float64(l.o.Width), float64(l.height())))
	l.drawGrid(cv)
	if finite(l.o.Mark.Percent) && l.o.Mark.Percent > 0 {
		y := l.y.at(l.o.Mark.Percent)
		cv.line(markLine, point{l.x.p0, y}, point{l.x.p1, y})
		cv.text(markText, point{l.x.p0 + 4, y - 6}, atStart, Chart{Mark: l.o.Mark}.markLabel())
	}
	for i, line := range l.o.Lines {
		l.drawLine(cv, i, line)
		y := float64(l.o.Height) + legendRow*float64(i) + 12
		cv.line(series(i), point{l.x.p0, y - 4}, point{l.x.p0 + 34, y - 4})
		room := float64(l.o.Width) - l.x.p0 - 44
		cv.text(axisText, point{l.x.p0 + 42, y}, atStart, fitted(axisText, fmt.Sprintf("%d  %s", i+1, line.Name), room))
	}
}

func (l overlayLayout) drawGrid(cv canvas) {
	for _, v := range ticks(math.Max(l.y.v0, 0), l.y.v1, 5) {
		y := l.y.at(v)
		cv.line(grid, point{l.x.p0, y}, point{l.x.p1, y})
		cv.text(axisText, point{l.x.p0 - 5, y + 4}, atEnd, fmt.Sprintf("%g %%", v))
	}
	want := max(2, int((l.x.p1-l.x.p0)/56))
	for _, v := range ticks(0, l.x.v1, want) {
		x := l.x.at(v)
		cv.line(grid, point{x, l.top}, point{x, l.base})
		cv.text(axisText, point{x, l.base + 15}, atMiddle, fmt.Sprintf("%g h", v))
	}
	cv.text(axisText, point{l.x.p0, l.base + 30}, atStart, l.o.AxisWords)
}

// drawLine paints one rise, thinned to one point a pixel, with its number at
// its end.
func (l overlayLayout) drawLine(cv canvas, i int, line Line) {
	var pts []point
	for _, p := range line.Places {
		if !finite(p.Hours) || !finite(p.Percent) || p.Hours < 0 {
			continue
		}
		x := l.x.clamp(p.Hours)
		if n := len(pts); n == 0 || x-pts[n-1].x >= 1 {
			pts = append(pts, point{x, l.y.clamp(p.Percent)})
		}
	}
	if len(pts) < 2 {
		return
	}
	cv.line(series(i), pts...)
	end := pts[len(pts)-1]
	cv.text(nowText, point{end.x + 3, end.y + 4}, atStart, fmt.Sprint(i+1))
}

// fitted shortens words to the room there is.
func fitted(s style, words string, room float64) string {
	if textWidth(s, words) <= room {
		return words
	}
	r := []rune(words)
	for len(r) > 1 && textWidth(s, string(r)+"…") > room {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ,") + "…"
}
