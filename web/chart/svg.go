package chart

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"strconv"
	"strings"
)

// Form says where an SVG will live.
type Form int

// The forms.
const (
	Inline     Form = iota // inside a page whose style sheet knows the c- classes
	Beside                 // so too, beside the same chart in another size that carries the points to read out
	Standalone             // a file of its own, with a light style inside
)

// SVG writes the chart as SVG. Errors come from w alone.
func SVG(w io.Writer, c Chart, form Form) error {
	c = c.withDefaults()
	l, s, size, style := newLayout(c), &svgCanvas{}, "", ""
	if form == Standalone {
		size, style = fmt.Sprintf(` width="%d" height="%d"`, c.Width, c.Height), "<style>\n"+styleSheet()+"</style>\n"
	}
	title := c.Title
	if title == "" {
		title = "Rise"
	}
	id := html.EscapeString(c.ID)
	s.p(`<svg xmlns="http://www.w3.org/2000/svg" class="%s" viewBox="0 0 %d %d"%s role="img" aria-labelledby="%[5]s-t %[5]s-d"%s>`,
		html.EscapeString(strings.TrimSpace("chart "+c.Class)), c.Width, c.Height, size, id, l.hoverAttrs(form))
	s.p(`<title id="%[1]s-t">%[2]s</title><desc id="%[1]s-d">%[3]s</desc>`, id, html.EscapeString(title), html.EscapeString(c.Alt))
	s.b.WriteString(style)
	l.draw(s)
	s.p("</svg>")
	_, err := w.Write(s.b.Bytes())
	return err
}

// hoverAttrs carry what a page needs to answer a tap: the time axis and the
// points as seconds, percent, dough temperature and time of day.
func (l layout) hoverAttrs(form Form) string {
	if form == Standalone {
		return ""
	}
	degree := "°C"
	if l.c.Locale.Locale().Fahrenheit {
		degree = "°F"
	}
	attrs := fmt.Sprintf(` data-t0="%d" data-t1="%d" data-x0="%s" data-x1="%s" data-top="%s" data-base="%s" data-degree="%s"`,
		l.from.Unix(), l.until.Unix(), num(l.x.p0), num(l.x.p1), num(l.top), num(l.foot), degree)
	if form == Beside {
		return attrs
	}
	var pts []string
	for _, run := range l.runs(l.c.Samples, Sample.believed, l.gap(), thin) {
		for _, p := range run {
			dough := ""
			if finite(p.DoughC) {
				dough = num(l.c.temperature(p.DoughC))
			}
			pts = append(pts, fmt.Sprintf("%d,%s,%s,%s", p.Time.Unix()-l.from.Unix(), num(p.RisePercent), dough, l.c.moment(p.Time)))
		}
	}
	return attrs + ` data-points="` + strings.Join(pts, ";") + `"`
}

// svgCanvas writes shapes as SVG elements.
type svgCanvas struct{ b bytes.Buffer }

func (s *svgCanvas) p(format string, args ...any) { fmt.Fprintf(&s.b, format+"\n", args...) }

func (s *svgCanvas) line(st style, pts ...point) { s.p(`<path class="c-%s" d="%s"/>`, st, path(pts)) }

func (s *svgCanvas) area(st style, pts []point) { s.p(`<path class="c-%s" d="%sZ"/>`, st, path(pts)) }

func (s *svgCanvas) dots(st style, radius float64, pts []point) {
	for _, p := range pts {
		s.p(`<circle class="c-%s" cx="%s" cy="%s" r="%s"/>`, st, num(p.x), num(p.y), num(radius))
	}
}

func (s *svgCanvas) text(st style, at point, a anchor, words string) {
	s.p(`<text class="c-%s" x="%s" y="%s" text-anchor="%s">%s</text>`, st, num(at.x), num(at.y), a, html.EscapeString(words))
}

// path writes points as path data.
func path(pts []point) string {
	var b strings.Builder
	for i, p := range pts {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(num(p.x) + " " + num(p.y))
	}
	return b.String()
}

// num writes a number with at most one decimal.
func num(v float64) string {
	s := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// styleSheet is the light look as CSS, for a file of its own.
func styleSheet() string {
	var b strings.Builder
	b.WriteString("text{font-family:system-ui,sans-serif}\n")
	for _, k := range looks() {
		fmt.Fprintf(&b, ".c-%s{fill:%s;stroke:%s", k.style, css(k.fill), css(k.stroke))
		if k.width > 0 {
			fmt.Fprintf(&b, ";stroke-width:%s;stroke-linejoin:round", num(k.width))
		}
		if k.size > 0 {
			fmt.Fprintf(&b, ";font-size:%spx", num(k.size))
		}
		if k.bold {
			b.WriteString(";font-weight:600")
		}
		if len(k.dash) > 0 {
			fmt.Fprintf(&b, ";stroke-dasharray:%s", strings.Trim(fmt.Sprint(k.dash), "[]"))
		}
		b.WriteString("}\n")
	}
	return b.String()
}

// css writes a colour.
func css(c color.NRGBA) string {
	if c.A == 0 {
		return "none"
	}
	return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
}
