package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"sync"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// chartCache keeps drawn charts. A chart is drawn again when something was
// done, and otherwise at most every chartEvery: a pixel is worth more than a
// reading.
type chartCache struct {
	mu   sync.Mutex
	byID map[string]drawn
}

// chartEvery is how often an unchanged rise is drawn again.
const chartEvery = 30 * time.Second

// drawn is a chart in both sizes, with what it was drawn from.
type drawn struct {
	key          string
	at           time.Time
	wide, narrow template.HTML
}

// get returns the chart of a vessel in both sizes.
func (c *chartCache) get(ctx context.Context, s *Server, snap Snapshot, i int, v Vessel) (wide, narrow template.HTML) {
	key := fmt.Sprintf("%d/%g/%v/%s/%t", v.RiseID, v.Estimate.TargetPercent, s.chartEvents(v), v.Estimate.Phase, v.Estimate.Ready.IsZero())
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.byID == nil {
		c.byID = map[string]drawn{}
	}
	d, ok := c.byID[v.Vessel]
	if age := snap.At.Sub(d.at); ok && d.key == key && age >= 0 && age < chartEvery {
		return d.wide, d.narrow
	}
	curve, err := s.opt.Live.Curve(ctx, v.Vessel)
	if err != nil {
		s.opt.Log.Warn("the curve could not be read", "vessel", v.Vessel, "error", err)
		return d.wide, d.narrow
	}
	d = drawn{key: key, at: snap.At}
	d.wide, d.narrow = bothSizes(s.liveChart(v, curve, snap.At), fmt.Sprintf("v%d", i))
	c.byID[v.Vessel] = d
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
	c.Title, c.Alt, c.Best, c.Samples, c.Fan, c.Ready, c.Now = v.Vessel, alt, s.best.of(s, v), curve, e.Fan, e.Ready, now
	c.Mark, c.Events = past.Mark(e.TargetPercent, s.words), s.chartEvents(v)
	return c
}

// bestRise keeps the line of the household's best rise of each vessel: the newest
// that was judged right.
type bestRise struct {
	mu   sync.Mutex
	line map[string]bestLine
}

// bestLine is a best rise as it was found for a rise under way.
type bestLine struct {
	riseID  int64 // of the rise under way
	started time.Time
	samples []chart.Sample
}

// bestRows bounds the pale line.
const bestRows = 200

// of returns the best rise moved to the start of the one under way; nil when there is
// none. It looks once for each rise.
func (b *bestRise) of(s *Server, v Vessel) []chart.Sample {
	if s.opt.History == nil || v.RiseID == 0 || v.Estimate.Started.IsZero() {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.line == nil {
		b.line = map[string]bestLine{}
	}
	l, ok := b.line[v.Vessel]
	if !ok || l.riseID != v.RiseID {
		l = bestLine{riseID: v.RiseID}
		if samples, began, err := s.bestBefore(v); err != nil {
			s.opt.Log.Warn("the best rise could not be read", "vessel", v.Vessel, "error", err)
		} else {
			l.started, l.samples = began, samples
		}
		b.line[v.Vessel] = l
	}
	out := make([]chart.Sample, len(l.samples))
	for i, x := range l.samples {
		x.Time = x.Time.Add(v.Estimate.Started.Sub(l.started))
		out[i] = x
	}
	return out
}

// bestBefore reads the newest rise of a vessel that was judged right.
func (s *Server) bestBefore(v Vessel) ([]chart.Sample, time.Time, error) {
	ctx, cancel := context.WithTimeout(s.stopped, 5*time.Second)
	defer cancel()
	page, err := s.opt.History.Rises(ctx, history.Filter{Vessel: v.Vessel, Outcome: "right", Limit: 1})
	rises := page.Rises
	if err != nil || len(rises) == 0 || rises[0].ID == v.RiseID {
		return nil, time.Time{}, err
	}
	rows, err := s.opt.History.ThinRows(ctx, rises[0].ID, time.Time{}, time.Time{}, bestRows)
	return past.Samples(rows), rises[0].StartedAt, err
}
