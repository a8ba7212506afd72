package chart

// point is a place on the canvas in pixels, y downwards.
type point struct{ x, y float64 }

// style names what a shape is; the backends know how it looks.
type style string

// The styles. Each is a CSS class with the prefix "c-".
const (
	paper     style = "paper"
	night     style = "night"
	grid      style = "grid"
	axisText  style = "axis"
	fan       style = "fan"
	median    style = "median"
	band      style = "band"
	measured  style = "line"
	rejected  style = "rejected"
	markLine  style = "mark"
	markText  style = "marktext"
	best      style = "best"
	nowLine   style = "now"
	nowText   style = "nowtext"
	eventTick style = "tick"
	eventText style = "word"
	doughLine style = "dough"
	airLine   style = "air"
	titleText style = "title"
)

// series names the style of line i of an overlay.
func series(i int) style { return style("s" + string(rune('0'+i%seriesStyles))) }

// seriesStyles is how many lines of an overlay can be told apart.
const seriesStyles = 6

// anchor says which part of a text stands at its x.
type anchor string

// The anchors, spelled as SVG spells them.
const (
	atStart  anchor = "start"
	atMiddle anchor = "middle"
	atEnd    anchor = "end"
)

// canvas is all that a backend must be able to draw.
type canvas interface {
	line(s style, pts ...point)              // open line through the points
	area(s style, pts []point)               // closed and filled
	dots(s style, radius float64, p []point) // small rings
	text(s style, at point, a anchor, words string)
}

// textSize is the height of the letters of a style in pixels.
func textSize(s style) float64 {
	switch s {
	case titleText:
		return 15
	case markText, nowText, eventText:
		return 13
	default:
		return 12.5
	}
}

// textWidth is the room words need, estimated: system fonts differ, so it is
// on the large side.
func textWidth(s style, words string) float64 {
	n := 0
	for range words {
		n++
	}
	return float64(n) * textSize(s) * 0.56
}

// rect is the outline of a box.
func rect(x0, y0, x1, y1 float64) []point {
	return []point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}
}
