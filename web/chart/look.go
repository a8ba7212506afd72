package chart

import "image/color"

// point is a place on the canvas in pixels, y downwards.
type point struct{ x, y float64 }

// rect is the outline of a box.
func rect(x0, y0, x1, y1 float64) []point {
	return []point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}
}

// style names what a shape is. It is a CSS class with the prefix "c-".
type style string

// anchor says which part of a text stands at its x, as SVG spells it.
type anchor string

// The anchors.
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

// textWidth is the room words need, estimated: system fonts differ, so it is
// on the large side.
func textWidth(s style, words string) float64 {
	return float64(len([]rune(words))) * lookOf(s).size * 0.56
}

// look is how a style is drawn where no page styles it.
type look struct {
	style        style
	stroke, fill color.NRGBA // alpha 0 means none
	width        float64     // of the stroke, pixels
	dash         []float64   // on, off, in pixels; empty for a full line
	size         float64     // of letters, pixels
	bold         bool
}

// seriesStyles is how many lines of an overlay can be told apart: by dash and shade, so
// that they stay apart in print and for colour-blind eyes.
const seriesStyles = 6

// series names the style of line i of an overlay.
func series(i int) style { return style("s" + string(rune('0'+i%seriesStyles))) }

// looks is the light look of the page on warm paper: ink, one water, no other colour.
func looks() []look {
	ink, soft, water, best := rgb(0x1c2a33), rgb(0x56656d), rgb(0x0f7681), rgb(0x9a8a6e)
	return []look{{style: "paper", fill: rgb(0xfaf6ee)}, {style: "night", fill: rgb(0xf1ebdd)}, {style: "grid", stroke: rgb(0xddd5c6), width: 1},
		{style: "axis", fill: soft, size: 12.5}, {style: "fan", fill: rgb(0xcfe5e2)}, {style: "median", stroke: water, width: 2, dash: []float64{2, 4}},
		{style: "band", fill: rgb(0xcfe5e2)}, {style: "line", stroke: water, width: 3}, {style: "rejected", stroke: rgb(0x8c8471), width: 1},
		{style: "mark", stroke: ink, width: 2}, {style: "marktext", fill: ink, size: 13, bold: true}, {style: "best", stroke: best, width: 3.5},
		{style: "now", stroke: ink, width: 1.5}, {style: "nowtext", fill: ink, size: 13, bold: true}, {style: "tick", stroke: soft, width: 2},
		{style: "word", fill: soft, size: 13}, {style: "dough", stroke: ink, width: 1.6}, {style: "air", stroke: soft, width: 1.25, dash: []float64{5, 3}},
		{style: "title", fill: ink, size: 15, bold: true},
		{style: series(0), stroke: water, width: 2}, {style: series(1), stroke: water, width: 2, dash: []float64{8, 4}}, {style: series(2), stroke: water, width: 2, dash: []float64{2, 4}},
		{style: series(3), stroke: best, width: 2, dash: []float64{12, 3, 2, 3}}, {style: series(4), stroke: best, width: 2, dash: []float64{5, 2}}, {style: series(5), stroke: best, width: 2, dash: []float64{1, 2}}}
}

// lookOf is the look of a style.
func lookOf(s style) look {
	for _, k := range looks() {
		if k.style == s {
			return k
		}
	}
	return look{style: s, stroke: rgb(0x10202c), width: 1}
}

func rgb(hex uint32) color.NRGBA {
	return color.NRGBA{R: uint8(hex >> 16), G: uint8(hex >> 8), B: uint8(hex), A: 0xff}
}
