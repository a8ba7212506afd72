package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/web/glance"
)

// stripSVG draws a range of time: now, its two ends in digits, the likely moment.
func (s *Server) stripSVG(x *glance.Strip) template.HTML {
	if x == nil {
		return ""
	}
	const w, h, left, y = 214.0, 42.0, 4.0, 11.0
	at := func(share float64) float64 { return left + share*(w-2*left) }
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	p(`<svg class="strip" viewBox="0 0 %g %g" aria-hidden="true">`, w, h)
	p(`<path class="t-line" d="M%g %gH%g"/><rect class="t-band" x="%.1f" y="%g" width="%.1f" height="14" rx="7"/>`, left, y, w-left, at(x.From), y-7, math.Max(14, at(x.Until)-at(x.From)))
	p(`<path class="t-now" d="M%.1f %gv16"/><circle class="t-mid" cx="%.1f" cy="%g" r="7.5"/>`, at(x.Now)+1, y-8, at(x.Mid), y)
	half := 3.7 * float64(max(len(x.FromText), len(x.UntilText)))
	until := math.Min(at(x.Until), w-half)
	from := math.Max(math.Min(at(x.From), until-2*half-8), half)
	if from > half+34 {
		p(`<text class="t-word" x="0" y="%g">%s</text>`, h-8, template.HTMLEscapeString(s.say("strip.now", nil)))
	}
	p(`<text x="%.1f" y="%g" text-anchor="middle">%s</text><text x="%.1f" y="%g" text-anchor="middle">%s</text></svg>`,
		from, h-8, template.HTMLEscapeString(x.FromText), until, h-8, template.HTMLEscapeString(x.UntilText))
	return template.HTML(b.String())
}

// The small picture of a curve in the list of past rises.
const (
	sparkW, sparkH = 96.0, 46.0
	sparkRows      = 60
)

// spark draws the curve of a past rise small, with its target as a line.
func (s *Server) spark(r bake.Rise) template.HTML {
	key := r.ID
	if r.UnderWay() {
		key = -key // drawn anew, and once more when it has ended
	}
	pic, err := s.sparks.get(key, func(template.HTML) bool { return key > 0 }, func() (template.HTML, error) {
		rows, err := s.opt.History.ThinRows(s.stopped, r.ID, time.Time{}, time.Time{}, sparkRows)
		return sparkSVG(rows, r.TargetPercent), err
	})
	if err != nil {
		s.opt.Log.Warn("the curve could not be read", "rise", r.ID, "error", err)
	}
	return pic
}

// sparkSVG draws rows as one line.
func sparkSVG(rows []bake.Recorded, target float64) template.HTML {
	top := math.Max(target*1.15, 20)
	var seen []bake.Recorded
	for _, x := range rows {
		if x.Rejected == "" && !math.IsNaN(x.RisePercent) {
			seen = append(seen, x)
			top = math.Max(top, x.RisePercent*1.05)
		}
	}
	var b strings.Builder
	y := func(p float64) float64 { return sparkH - 3 - math.Max(0, p)/top*(sparkH-6) }
	fmt.Fprintf(&b, `<svg class="spark" viewBox="0 0 %g %g" aria-hidden="true"><path class="c-grid" d="M0 %.1fH%g"/>`, sparkW, sparkH, y(0), sparkW)
	if target > 0 {
		fmt.Fprintf(&b, `<path class="k-mark" d="M0 %.1fH%g"/>`, y(target), sparkW)
	}
	if len(seen) > 1 {
		from, span := seen[0].Time, seen[len(seen)-1].Time.Sub(seen[0].Time).Seconds()
		b.WriteString(`<path class="k-line" d="`)
		for i, x := range seen {
			fmt.Fprintf(&b, "%c%.1f %.1f", "ML"[min(i, 1)], 2+x.Time.Sub(from).Seconds()/math.Max(span, 1)*(sparkW-4), y(x.RisePercent))
		}
		b.WriteString(`"/>`)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}
