package chart

import "image/color"

// look is how a style is drawn where no page styles it.
type look struct {
	stroke, fill color.NRGBA // alpha 0 means none
	width        float64     // of the stroke, pixels
	dash         []float64   // on, off, in pixels; empty for a full line
	bold         bool        // of letters
}

// lightLook is the look of the page on warm paper: ink, one water, no other colour.
func lightLook(s style) look {
	ink, soft, water := rgb(0x1c2a33), rgb(0x56656d), rgb(0x0f7681)
	switch s {
	case paper:
		return look{fill: rgb(0xfaf6ee)}
	case night:
		return look{fill: rgb(0xf1ebdd)}
	case grid:
		return look{stroke: rgb(0xddd5c6), width: 1}
	case fan:
		return look{fill: rgb(0xcfe5e2)}
	case band:
		return look{fill: rgb(0xcfe5e2)}
	case median:
		return look{stroke: water, width: 2, dash: []float64{2, 4}}
	case measured:
		return look{stroke: water, width: 3}
	case best:
		return look{stroke: rgb(0x9a8a6e), width: 3.5}
	case rejected:
		return look{stroke: rgb(0x8c8471), width: 1}
	case markLine:
		return look{stroke: ink, width: 2}
	case eventTick:
		return look{stroke: soft, width: 2}
	case nowLine:
		return look{stroke: ink, width: 1.5}
	case doughLine:
		return look{stroke: ink, width: 1.6}
	case airLine:
		return look{stroke: soft, width: 1.25, dash: []float64{5, 3}}
	case axisText, eventText:
		return look{fill: soft}
	case markText, nowText, titleText:
		return look{fill: ink, bold: true}
	}
	return seriesLook(s)
}

// seriesLook tells the lines of an overlay apart by dash and shade, so that
// they stay apart in print and for colour-blind eyes.
func seriesLook(s style) look {
	dashes := [seriesStyles][]float64{nil, {8, 4}, {2, 4}, {12, 3, 2, 3}, {5, 2}, {1, 2}}
	shades := [seriesStyles]uint32{0x0f7681, 0x0f7681, 0x0f7681, 0x9a8a6e, 0x9a8a6e, 0x9a8a6e}
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
		markLine, markText, best, nowLine, nowText, eventTick, eventText, doughLine,
		airLine, titleText}
	for i := range seriesStyles {
		all = append(all, series(i))
	}
	return all
}
