package chart

import "image/color"

// look is how a style is drawn where no page styles it.
type look struct {
	stroke, fill color.NRGBA // alpha 0 means none
	width        float64     // of the stroke, pixels
	dash         []float64   // on, off, in pixels; empty for a full line
	bold         bool        // of letters
}

// lightLook is the look on white paper: ink and its shades, no other colour.
func lightLook(s style) look {
	ink, muted := rgb(0x10202c), rgb(0x465661)
	switch s {
	case paper:
		return look{fill: rgb(0xffffff)}
	case night:
		return look{fill: rgb(0xedf1f4)}
	case grid:
		return look{stroke: rgb(0xd3dbe0), width: 1}
	case fan:
		return look{fill: alpha(0x3f6580, 0x47)}
	case band:
		return look{fill: alpha(0x10202c, 0x2e)}
	case median:
		return look{stroke: rgb(0x2c4a5e), width: 1.5, dash: []float64{2, 4}}
	case measured:
		return look{stroke: ink, width: 2.5}
	case rejected:
		return look{stroke: alpha(0x465661, 0x99), width: 1}
	case markLine, eventTick:
		return look{stroke: ink, width: 1.25}
	case nowLine:
		return look{stroke: ink, width: 1, dash: []float64{1, 3}}
	case window:
		return look{stroke: ink, width: 6}
	case doughLine:
		return look{stroke: ink, width: 1.75}
	case airLine:
		return look{stroke: muted, width: 1.25, dash: []float64{5, 3}}
	case axisText, eventText:
		return look{fill: muted}
	case markText, nowText, titleText:
		return look{fill: ink, bold: true}
	}
	return seriesLook(s)
}

// seriesLook tells the lines of an overlay apart by dash and shade, so that
// they stay apart in print and for colour-blind eyes.
func seriesLook(s style) look {
	dashes := [seriesStyles][]float64{nil, {8, 4}, {2, 4}, {12, 3, 2, 3}, {5, 2}, {1, 2}}
	shades := [seriesStyles]uint32{0x10202c, 0x10202c, 0x10202c, 0x5a6b78, 0x5a6b78, 0x5a6b78}
	for i := range seriesStyles {
		if s == series(i) {
			return look{stroke: rgb(shades[i]), width: 2, dash: dashes[i]}
		}
	}
	return look{stroke: rgb(0x10202c), width: 1}
}

func rgb(hex uint32) color.NRGBA { return alpha(hex, 0xff) }

func alpha(hex uint32, a uint8) color.NRGBA {
	return color.NRGBA{R: uint8(hex >> 16), G: uint8(hex >> 8), B: uint8(hex), A: a}
}

// allStyles lists every style, for the style sheet of a file of its own.
func allStyles() []style {
	all := []style{paper, night, grid, axisText, fan, median, band, measured, rejected,
		markLine, markText, window, nowLine, nowText, eventTick, eventText, doughLine,
		airLine, titleText}
	for i := range seriesStyles {
		all = append(all, series(i))
	}
	return all
}
