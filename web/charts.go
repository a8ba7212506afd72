package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"sync"
	"time"

	"tidemark/web/chart"
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
	key := fmt.Sprintf("%d/%g/%v/%s/%t", v.RiseID, v.TargetPercent, s.chartEvents(v), v.Estimate.Phase, v.Estimate.Ready.IsZero())
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.byID == nil {
		c.byID = map[string]drawn{}
	}
	d, ok := c.byID[v.Name]
	if age := snap.At.Sub(d.at); ok && d.key == key && age >= 0 && age < chartEvery {
		return d.wide, d.narrow
	}
	curve, err := s.opt.Live.Curve(ctx, v.Name)
	if err != nil {
		s.opt.Log.Warn("the curve could not be read", "vessel", v.Name, "error", err)
		return d.wide, d.narrow
	}
	m := s.liveChart(v, curve, snap.At)
	d = drawn{key: key, at: snap.At, wide: svg(m, fmt.Sprintf("v%d-w", i), "wide", chart.WideWidth, chart.WideHeight),
		narrow: svg(m, fmt.Sprintf("v%d-n", i), "narrow", chart.NarrowWidth, chart.NarrowHeight)}
	c.byID[v.Name] = d
	return d.wide, d.narrow
}

// svg draws a chart for inside a page. Everything in it was escaped by the
// chart package, so it may stand in a template as it is.
func svg(m chart.Chart, id, class string, w, h int) template.HTML {
	m.ID, m.Class, m.Width, m.Height, m.Untitled = id, class, w, h, true
	var b bytes.Buffer
	_ = chart.SVG(&b, m, chart.Inline) // a buffer takes every write
	return template.HTML(b.String())
}

// liveChart is the model of a rise under way.
func (s *Server) liveChart(v Vessel, curve []chart.Sample, now time.Time) chart.Chart {
	o := s.opt
	return chart.Chart{Title: v.Name, Samples: curve, Fan: v.Estimate.Fan, Ready: v.Estimate.Ready, Now: now,
		Mark: chart.Mark{Percent: v.TargetPercent, Name: s.markName(v)}, Events: s.chartEvents(v),
		Zone: o.House.Zone, Units: chart.Units{Clock12: o.House.Clock12, Fahrenheit: o.House.Fahrenheit}}
}

// markName is the name of a vessel's mark in the chart.
func (s *Server) markName(v Vessel) string {
	if v.TargetPercent == 100 {
		return s.say("mark.doubled", nil)
	}
	return s.say("mark.target", nil)
}
