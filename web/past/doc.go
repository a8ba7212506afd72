// Package past looks back at rises that were kept: one in full, several over each
// other, what differed between them and between judged loaves, and how a starter
// does over the weeks.
//
// Units: percent of rise, degrees Celsius in and the household's unit out,
// hours of the clock, and equivalent hours: growth time at 24 C.
//
// Invariants: every function is pure. Every number comes from the stored rise
// and its stored samples, rounded only for show, so that the page and an export
// agree. A trend is told only where its 95 % interval leaves out zero.
//
// It does not read the database and does not judge a loaf.
package past

import (
	"encoding/json"
	"math"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/chart"
)

// Record is a rise with its samples, thinned or whole.
type Record struct {
	Rise    bake.Rise
	Rows    []bake.Recorded
	Journal []bake.Event
}

// numbers are the baker's figures of the batch, if there is one.
func numbers(r bake.Rise) (bake.Batch, bake.Numbers, bool) {
	b := r.Mixed()
	if b == nil {
		return bake.Batch{}, bake.Numbers{}, false
	}
	n, err := b.Numbers(), b.Validate()
	return *b, n, err == nil
}

// BatchName is the name of the batch or feeding, empty when it has none.
func BatchName(r bake.Rise) string {
	var b struct {
		Name string `json:"name"`
	}
	if len(r.Batch) == 0 || json.Unmarshal(r.Batch, &b) != nil {
		return ""
	}
	return b.Name
}

// Chart is the picture of one past rise.
func Chart(rec Record, l *text.Localizer) chart.Chart {
	c := chart.Chart{Locale: l, Title: Name(rec.Rise, l), Alt: Sentence(rec.Rise, l)}
	c.Mark, c.Events = Mark(rec.Rise.TargetPercent, l), Events(rec, l)
	if at := rec.Rise.ReachedAt; !at.IsZero() {
		c.Ready.From, c.Ready.Median, c.Ready.Until = at, at, at
	}
	c.Samples = Samples(rec.Rows)
	return c
}

// Samples turns stored rows into what a chart draws, on the page, in a message and
// in an export alike. A reading that was not believed is drawn where its distance
// would have put the level: the rise stored with it is the estimate.
func Samples(rows []bake.Recorded) []chart.Sample {
	implied := impliedRise(rows)
	out := make([]chart.Sample, 0, len(rows))
	for _, r := range rows {
		s := chart.Sample{Time: r.Time, RisePercent: r.RisePercent, SD: r.RiseSD, DoughC: r.DoughC, AirC: r.AirC}
		if r.Rejected != "" {
			s.Rejected, s.RisePercent = true, implied(r.DistanceMM)
		}
		out = append(out, s)
	}
	return out
}

// impliedRise tells which rise a distance would have meant, from the believed
// samples: along the straight line through their nearest and farthest. It is
// meant for a faint dot, not for figures. It gives NaN where the samples lie
// within 5 mm, since the sensor's noise would then set the slope.
func impliedRise(rows []bake.Recorded) func(distanceMM float64) float64 {
	var near, far bake.Recorded
	n := 0
	for _, r := range rows {
		if r.Rejected != "" || math.IsNaN(r.DistanceMM) || math.IsNaN(r.RisePercent) {
			continue
		}
		if n == 0 || r.DistanceMM < near.DistanceMM {
			near = r
		}
		if n == 0 || r.DistanceMM > far.DistanceMM {
			far = r
		}
		n++
	}
	span := far.DistanceMM - near.DistanceMM
	if n < 2 || span < 5 {
		return func(float64) float64 { return math.NaN() }
	}
	slope := (near.RisePercent - far.RisePercent) / span
	return func(d float64) float64 { return far.RisePercent + (far.DistanceMM-d)*slope }
}

// Mark is the mark in the trade's word, where it has one.
func Mark(percent float64, l *text.Localizer) chart.Mark {
	key := "page.mark.target"
	switch percent {
	case 100:
		key = "page.mark.doubled"
	case 200:
		key = "page.mark.tripled"
	}
	return chart.Mark{Percent: percent, Name: l.Say(key, nil)}
}

// Events are the ticks of a chart: from what was told, or without any from the samples.
func Events(rec Record, l *text.Localizer) []chart.Event {
	var out []chart.Event
	add := func(at time.Time, kind string) {
		if l.Has("page.tick." + kind) {
			out = append(out, chart.Event{Time: at, Word: l.Say("page.tick."+kind, nil)})
		}
	}
	for _, e := range rec.Journal {
		if !e.Undone() {
			add(e.At, string(e.Kind))
		}
	}
	if len(rec.Journal) > 0 {
		return out
	}
	for _, r := range rec.Rows {
		add(r.Time, string(r.Event))
	}
	return out
}

// Overlay lays rises over each other, by the clock or by equivalent hours.
func Overlay(recs []Record, equivalent bool, l *text.Localizer) chart.Chart {
	o := chart.Chart{Locale: l, Title: l.Say("page.compare", nil), AxisWords: l.Say("page.compare.hours", nil), Lines: [][]chart.Sample{}}
	if equivalent {
		o.AxisWords = l.Say("page.compare.equivalent", text.Values{"at_c": 24.0})
	}
	for _, rec := range recs {
		var line []chart.Sample
		for _, r := range rec.Rows {
			after := r.Time.Sub(rec.Rise.StartedAt)
			if equivalent {
				after = time.Duration(r.EquivHours * float64(time.Hour))
			}
			if r.Rejected == "" && !math.IsNaN(r.RisePercent+r.EquivHours) && after >= 0 {
				line = append(line, chart.Sample{Time: chart.Origin().Add(after), RisePercent: r.RisePercent, DoughC: math.NaN(), AirC: math.NaN()})
			}
		}
		if n := len(line); n > 0 {
			o.Alt += l.Say("page.compare.line", text.Values{"name": Name(rec.Rise, l), "percent": line[n-1].RisePercent, "took": line[n-1].Time.Sub(chart.Origin())}) + " "
		}
		o.Lines = append(o.Lines, line)
	}
	if len(recs) > 0 && sameMark(recs) {
		o.Mark = Mark(recs[0].Rise.TargetPercent, l)
	}
	return o
}

func sameMark(recs []Record) bool {
	for _, r := range recs {
		if r.Rise.TargetPercent != recs[0].Rise.TargetPercent {
			return false
		}
	}
	return true
}
