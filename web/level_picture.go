package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"
)

// Measures of the picture in its own units.
const (
	pictureWide, pictureHigh                           = 320.0, 190.0
	pictureLeft, pictureRight, pictureTop, pictureBase = 44.0, 8.0, 20.0, 30.0
)

// profilePicture draws volume against height: what was measured, the shape that
// would be written, and the one in force. Empty when nothing was poured.
func profilePicture(l Level, alt string) template.HTML {
	if len(l.Pours) == 0 {
		return ""
	}
	var maxMM, maxL float64
	for _, line := range [][]LevelPoint{l.Old, l.Profile, l.Pours} {
		for _, p := range line {
			maxMM, maxL = max(maxMM, p.HeightMM), max(maxL, p.VolumeL)
		}
	}
	if !(maxMM > 0 && maxL > 0) {
		return ""
	}
	x := func(p LevelPoint) float64 {
		return pictureLeft + p.HeightMM/maxMM*(pictureWide-pictureLeft-pictureRight)
	}
	y := func(p LevelPoint) float64 {
		return pictureHigh - pictureBase - p.VolumeL/maxL*(pictureHigh-pictureTop-pictureBase)
	}
	path := func(class string, line []LevelPoint) string {
		var d strings.Builder
		for i, p := range line {
			fmt.Fprintf(&d, "%s%.1f %.1f", map[bool]string{true: "M", false: "L"}[i == 0], x(p), y(p))
		}
		return fmt.Sprintf(`<path class="%s" d="%s"/>`, class, d.String())
	}
	corner := LevelPoint{VolumeL: maxL, HeightMM: maxMM}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" viewBox="0 0 %g %g" role="img" aria-label="%s">`, pictureWide, pictureHigh, html.EscapeString(alt))
	fmt.Fprintf(&b, `<path class="c-grid" d="M%.1f %.1fH%.1fM%.1f %.1fV%.1f"/>`, pictureLeft, y(LevelPoint{}), x(corner), pictureLeft, y(LevelPoint{}), y(corner))
	b.WriteString(path("c-air", l.Old) + path("c-line", l.Profile))
	for _, p := range l.Pours {
		fmt.Fprintf(&b, `<circle class="c-mark" cx="%.1f" cy="%.1f" r="4"/>`, x(p), y(p))
	}
	fmt.Fprintf(&b, `<text class="c-axis" x="%.1f" y="%.1f">0</text>`, pictureLeft, pictureHigh-pictureBase+15)
	fmt.Fprintf(&b, `<text class="c-axis" x="%.1f" y="%.1f" text-anchor="end">%.0f mm</text>`, x(corner), pictureHigh-pictureBase+15, maxMM)
	fmt.Fprintf(&b, `<text class="c-axis" x="4" y="%.1f">%s L</text></svg>`, y(corner)+4, litres(maxL))
	return template.HTML(b.String()) //nolint:gosec // numbers and escaped words of our own
}

// litres writes a volume with as many digits as it is worth.
func litres(v float64) string {
	if v < 1 {
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%.1f", v)
}
