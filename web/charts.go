package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// chartEvery is how often the chart of a rise is drawn again when nothing was done: a
// pixel is worth more than a reading.
const chartEvery = 30 * time.Second

// drawn is a chart in both sizes, with what it was drawn from.
type drawn struct {
	key          string
	at           time.Time
	wide, narrow template.HTML
}

// chartOf returns the chart of a vessel in both sizes.
func (s *Server) chartOf(ctx context.Context, snap Snapshot, i int, v Vessel) (wide, narrow template.HTML) {
	key := fmt.Sprintf("%d/%g/%v/%s/%t", v.RiseID, v.Estimate.TargetPercent, s.chartEvents(v), v.Estimate.Phase, v.Estimate.Ready.IsZero())
	good := func(d drawn) bool {
		age := snap.At.Sub(d.at)
		return d.key == key && age >= 0 && age < chartEvery
	}
	d, err := s.charts.get(v.Vessel, good, func() (drawn, error) {
		curve, err := s.opt.Live.Curve(ctx, v.Vessel)
		d := drawn{key: key, at: snap.At}
		d.wide, d.narrow = bothSizes(s.liveChart(v, curve, snap.At), fmt.Sprintf("v%d", i))
		return d, err
	})
	if err != nil {
		s.opt.Log.Warn("the curve could not be read", "vessel", v.Vessel, "error", err)
	}
	return d.wide, d.narrow
}

// svg draws a chart for inside a page. Everything in it was escaped by the
// chart package, so it may stand in a template as it is.
func svg(m chart.Chart, id, class string, w, h int, form chart.Form) template.HTML {
	m.ID, m.Class, m.Width, m.Height, m.Untitled = id, class, w, h, true
	var b bytes.Buffer
	_ = chart.SVG(&b, m, form) // a buffer takes every write
	return template.HTML(b.String())
}

// bothSizes draws a chart for a wide screen and for a phone held upright.
func bothSizes(m chart.Chart, id string) (wide, narrow template.HTML) {
	return svg(m, id+"-w", "wide", chart.WideWidth, chart.WideHeight, chart.Inline), svg(m, id+"-n", "narrow", chart.NarrowWidth, chart.NarrowHeight, chart.Beside)
}

// liveChart is the model of a rise under way.
func (s *Server) liveChart(v Vessel, curve []chart.Sample, now time.Time) chart.Chart {
	l, e := s.words.At(now), v.Estimate
	alt := l.Say("page.chart.alt", text.Values{"from": e.Started, "percent": e.RisePercent, "target_percent": v.Estimate.TargetPercent})
	if !e.Ready.IsZero() && !e.ReadyIsPast {
		alt += " " + l.Say("page.chart.alt.ready", text.Values{"at": e.Ready.Median})
	}
	c := past.Drawn(s.words)
	c.Title, c.Alt, c.Best, c.Samples, c.Fan, c.Ready, c.Now = v.Vessel, alt, s.bestRise(v), curve, e.Fan, e.Ready, now
	c.Mark, c.Events = past.Mark(e.TargetPercent, s.words), s.chartEvents(v)
	return c
}

// bestLine is a best rise as it was.
type bestLine struct {
	started time.Time
	samples []chart.Sample
}

// bestRows bounds the pale line.
const bestRows = 200

// bestRise returns the household's best rise of a vessel, the newest that was judged
// right, moved to the start of the one under way; nil when there is none. It is looked for
// once for each rise.
func (s *Server) bestRise(v Vessel) []chart.Sample {
	if s.opt.History == nil || v.RiseID == 0 || v.Estimate.Started.IsZero() {
		return nil
	}
	l, err := s.best.get(v.RiseID, func(bestLine) bool { return true }, func() (bestLine, error) { return s.bestBefore(v) })
	if err != nil {
		s.opt.Log.Warn("the best rise could not be read", "vessel", v.Vessel, "error", err)
	}
	out := slices.Clone(l.samples)
	for i := range out {
		out[i].Time = out[i].Time.Add(v.Estimate.Started.Sub(l.started))
	}
	return out
}

// bestBefore reads the newest rise of a vessel that was judged right.
func (s *Server) bestBefore(v Vessel) (bestLine, error) {
	ctx, cancel := context.WithTimeout(s.stopped, 5*time.Second)
	defer cancel()
	page, err := s.opt.History.Rises(ctx, history.Filter{Vessel: v.Vessel, Outcome: "right", Limit: 1})
	if err != nil || len(page.Rises) == 0 || page.Rises[0].ID == v.RiseID {
		return bestLine{}, err
	}
	rows, err := s.opt.History.ThinRows(ctx, page.Rises[0].ID, time.Time{}, time.Time{}, bestRows)
	return bestLine{page.Rises[0].StartedAt, past.Samples(rows)}, err
}
