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
	l := newLayout(c)
	s := &svgCanvas{}
	s.open(c.ID, c.Class, c.Title, c.Alt, c.Width, c.Height, form, l.hoverAttrs(form))
	l.draw(s)
	s.b.WriteString("</svg>\n")
	_, err := w.Write(s.b.Bytes())
	return err
}

// svgCanvas writes shapes as SVG elements.
type svgCanvas struct{ b bytes.Buffer }

func (s *svgCanvas) open(id, class, title, desc string, w, h int, form Form, attrs string) {
	if title == "" {
		title = "Rise"
	}
	fmt.Fprintf(&s.b, `<svg xmlns="http://www.w3.org/2000/svg" class="%s" viewBox="0 0 %d %d"`,
		html.EscapeString(strings.TrimSpace("chart "+class)), w, h)
	if form == Standalone {
		fmt.Fprintf(&s.b, ` width="%d" height="%d"`, w, h)
	}
	fmt.Fprintf(&s.b, ` role="img" aria-labelledby="%[1]s-t %[1]s-d"%[2]s>`+"\n", html.EscapeString(id), attrs)
	fmt.Fprintf(&s.b, `<title id="%[1]s-t">%[2]s</title><desc id="%[1]s-d">%[3]s</desc>`+"\n",
		html.EscapeString(id), html.EscapeString(title), html.EscapeString(desc))
	if form == Standalone {
		s.b.WriteString("<style>\n" + styleSheet() + "</style>\n")
	}
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
		l.x.t0.Unix(), l.x.t1.Unix(), num(l.x.p0), num(l.x.p1), num(l.top), num(l.bottom()), degree)
	if form == Beside {
		return attrs
	}
	var pts []string
	for _, run := range l.runs() {
		for _, p := range run {
			dough := ""
			if finite(p.DoughC) {
				dough = num(l.c.temperature(p.DoughC))
			}
			pts = append(pts, fmt.Sprintf("%d,%s,%s,%s", p.Time.Unix()-l.x.t0.Unix(), num(p.RisePercent), dough,
				l.c.moment(p.Time)))
		}
	}
	return attrs + ` data-points="` + strings.Join(pts, ";") + `"`
}

func (s *svgCanvas) line(st style, pts ...point) {
	fmt.Fprintf(&s.b, `<path class="c-%s" d="%s"/>`+"\n", st, path(pts))
}

func (s *svgCanvas) area(st style, pts []point) {
	fmt.Fprintf(&s.b, `<path class="c-%s" d="%sZ"/>`+"\n", st, path(pts))
}

func (s *svgCanvas) dots(st style, radius float64, pts []point) {
	for _, p := range pts {
		fmt.Fprintf(&s.b, `<circle class="c-%s" cx="%s" cy="%s" r="%s"/>`+"\n", st, num(p.x), num(p.y), num(radius))
	}
}

func (s *svgCanvas) text(st style, at point, a anchor, words string) {
	fmt.Fprintf(&s.b, `<text class="c-%s" x="%s" y="%s" text-anchor="%s">%s</text>`+"\n",
		st, num(at.x), num(at.y), a, html.EscapeString(words))
}

// path writes points as path data.
func path(pts []point) string {
	var b strings.Builder
	for i, p := range pts {
		if i == 0 {
			b.WriteByte('M')
		} else {
			b.WriteByte('L')
		}
		b.WriteString(num(p.x) + " " + num(p.y))
	}
	return b.String()
}

// num writes a number with at most one decimal.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// styleSheet is the light look as CSS, for a file of its own.
func styleSheet() string {
	var b strings.Builder
	b.WriteString("text{font-family:system-ui,sans-serif}\n")
	for _, st := range allStyles() {
		k := lightLook(st)
		fmt.Fprintf(&b, ".c-%s{fill:%s;stroke:%s", st, css(k.fill), css(k.stroke))
		if k.stroke.A > 0 {
			fmt.Fprintf(&b, ";stroke-width:%s;stroke-linejoin:round", num(k.width))
		} else {
			fmt.Fprintf(&b, ";font-size:%spx", num(textSize(st)))
		}
		if k.bold {
			b.WriteString(";font-weight:600")
		}
		if len(k.dash) > 0 {
			b.WriteString(";stroke-dasharray:")
			for i, d := range k.dash {
				if i > 0 {
					b.WriteByte(' ')
				}
				b.WriteString(num(d))
			}
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
	if c.A == 0xff {
		return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
	}
	return fmt.Sprintf("#%02x%02x%02x%02x", c.R, c.G, c.B, c.A)
}
