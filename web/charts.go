package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// chartEvery is how often the chart of a rise is drawn again when nothing was done: a
// pixel is worth more than a reading.
const chartEvery = 30 * time.Second

// drawn is what is drawn of a rise under way and read for it: its chart in both sizes and
// the like judgements before it.
type drawn struct {
	key          string // of what it was drawn from
	at           time.Time
	Wide, Narrow template.HTML
	judged       like
}

// drawnOf returns what is drawn of the rise under way in a vessel.
func (s *Server) drawnOf(ctx context.Context, snap Snapshot, i int, v Vessel) drawn {
	key := fmt.Sprintf("%d/%g/%v/%s/%t", v.RiseID, v.Estimate.TargetPercent, s.chartEvents(v), v.Estimate.Phase, v.Estimate.Ready.IsZero())
	good := func(d drawn) bool {
		age := snap.At.Sub(d.at)
		return d.key == key && age >= 0 && age < chartEvery
	}
	d, err := s.charts.get(v.Vessel, good, func() (drawn, error) {
		curve, err := s.opt.Live.Curve(ctx, v.Vessel)
		if err != nil {
			return drawn{}, err
		}
		d := drawn{key: key, at: snap.At}
		c, judged := s.liveChart(ctx, v, curve, snap.At)
		d.judged = judged
		d.Wide, d.Narrow = bothSizes(c, fmt.Sprintf("v%d", i))
		return d, nil
	})
	if err != nil {
		s.opt.Log.Warn("the curve could not be read", "vessel", v.Vessel, "error", err)
	}
	return d
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

// liveChart is the model of a rise under way, with the like judgements before it.
func (s *Server) liveChart(ctx context.Context, v Vessel, curve []chart.Sample, now time.Time) (chart.Chart, like) {
	l, e := s.words.At(now), v.Estimate
	alt := l.Say("page.chart.alt", text.Values{"from": e.Started, "percent": e.RisePercent, "target_percent": v.Estimate.TargetPercent})
	if !e.Ready.IsZero() && !e.ReadyIsPast {
		alt += " " + l.Say("page.chart.alt.ready", text.Values{"at": e.Ready.Median})
	}
	c := chart.Chart{Locale: s.words, Title: v.Vessel, Alt: alt, Samples: curve, Fan: e.Fan, Ready: e.Ready, Now: now,
		Mark: past.Mark(e.TargetPercent, s.words), Events: s.chartEvents(v)}
	best, judged, err := s.before(ctx, v)
	if err != nil {
		s.opt.Log.Warn("the rises before could not be read", "vessel", v.Vessel, "error", err)
	}
	c.Best = best
	return c, judged
}

// bestRows bounds the pale line.
const bestRows = 200

// before reads what the rises before the one under way say: the household's best of the
// vessel, the newest that was judged right, moved to the start of this one, and the like
// judgements of the last.
func (s *Server) before(ctx context.Context, v Vessel) (best []chart.Sample, judged like, err error) {
	if s.opt.History == nil || v.Estimate.Started.IsZero() {
		return nil, like{}, nil
	}
	last, err := s.opt.History.Rises(ctx, history.Filter{Vessel: v.Vessel, Limit: 20})
	if err != nil {
		return nil, like{}, err
	}
	judged = inARow(last.Rises)
	right, err := s.opt.History.Rises(ctx, history.Filter{Vessel: v.Vessel, Outcome: "right", Limit: 1})
	if err != nil || len(right.Rises) == 0 || right.Rises[0].ID == v.RiseID {
		return nil, judged, err
	}
	rows, err := s.opt.History.ThinRows(ctx, right.Rises[0].ID, time.Time{}, time.Time{}, bestRows)
	best = past.Samples(rows)
	for i := range best {
		best[i].Time = best[i].Time.Add(v.Estimate.Started.Sub(right.Rises[0].StartedAt))
	}
	return best, judged, err
}
