package history

import (
	"encoding/json"
	"math"
	"time"

	"tidemark/bake"
)

// Facts are the numbers by which rises are compared. What is not known is NaN.
type Facts struct {
	Rise               Rise
	InoculationPercent float64 // fermented flour per all flour
	HydrationPercent   float64 // all water per all flour
	SaltPercent        float64 // per all flour
	WholePercent       float64 // whole-grain share of the flour
	FeedRatio          string  // of a starter, e.g. "1 : 2 : 2"; empty when unknown
	FeedDoublings      float64 // doublings that the feeding asks for
	HoursToMark        float64 // by the clock, start to mark
	HoursPastMark      float64 // by the clock, mark to end
	HoursToPeak        float64 // by the clock, start to peak
	HoursTotal         float64 // by the clock, start to end
}

// FactsOf works out the facts of one rise. A batch that cannot be read leaves its
// facts unknown; a number of the rise that is exactly zero was never set.
func FactsOf(r Rise) Facts {
	for _, v := range []*float64{&r.MeanDoughC, &r.MaxRate, &r.CeilingPct, &r.PeakPercent, &r.TargetPercent,
		&r.EquivHours, &r.PeakEquivHours, &r.ReachedEquivHours} {
		if *v == 0 { // never set
			*v = math.NaN()
		}
	}
	f := Facts{Rise: r, InoculationPercent: math.NaN(), HydrationPercent: math.NaN(), SaltPercent: math.NaN(),
		WholePercent: math.NaN(), FeedDoublings: math.NaN(),
		HoursToMark:   hours(r.StartedAt, r.ReachedAt),
		HoursPastMark: hours(r.ReachedAt, r.EndedAt),
		HoursToPeak:   hours(r.StartedAt, r.PeakAt),
		HoursTotal:    hours(r.StartedAt, r.EndedAt),
	}
	var b bake.Batch
	if json.Unmarshal(r.Batch, &b) == nil && len(b.Flours) > 0 {
		if n, err := b.Numbers(); err == nil {
			f.InoculationPercent, f.HydrationPercent = n.InoculationPercent, n.HydrationPercent
			f.SaltPercent, f.WholePercent = n.SaltPercent, n.WholePercent
		}
	}
	var feed bake.Feed
	if json.Unmarshal(r.Batch, &feed) == nil && feed.StarterG > 0 && feed.Validate() == nil {
		f.FeedRatio, f.FeedDoublings = feed.Ratio(), feed.Doublings()
	}
	return f
}

// hours between two moments; NaN when one is missing.
func hours(from, to time.Time) float64 {
	if from.IsZero() || to.IsZero() {
		return math.NaN()
	}
	return to.Sub(from).Hours()
}

// Feature is one number that tells rises apart.
type Feature struct {
	Key      string // stable name, e.g. "mean_dough_c"
	Label    string // for a person
	Unit     string // "C", "%", "h", "%/h"
	Decimals int
	Matters  float64 // the least difference worth a word, common practice, no source
	Of       func(Facts) float64
}

// Features are what Compare and Common look at.
func Features() []Feature {
	return []Feature{
		{"mean_dough_c", "mean dough temperature", "C", 1, 0.5, func(f Facts) float64 { return f.Rise.MeanDoughC }},
		{"inoculation_percent", "inoculation", "%", 1, 2, func(f Facts) float64 { return f.InoculationPercent }},
		{"hydration_percent", "water per flour", "%", 0, 2, func(f Facts) float64 { return f.HydrationPercent }},
		{"salt_percent", "salt per flour", "%", 1, 0.2, func(f Facts) float64 { return f.SaltPercent }},
		{"whole_percent", "whole grain", "%", 0, 5, func(f Facts) float64 { return f.WholePercent }},
		{"feed_doublings", "doublings asked by the feed", "", 1, 0.3, func(f Facts) float64 { return f.FeedDoublings }},
		{"max_rate", "fastest rise", "%/h", 0, 3, func(f Facts) float64 { return f.Rise.MaxRate }},
		{"ceiling_percent", "expected ceiling", "%", 0, 10, func(f Facts) float64 { return f.Rise.CeilingPct }},
		{"peak_percent", "highest level", "%", 0, 5, func(f Facts) float64 { return f.Rise.PeakPercent }},
		{"target_percent", "mark", "%", 0, 5, func(f Facts) float64 { return f.Rise.TargetPercent }},
		{"hours_to_mark", "time to the mark", "h", 1, 0.5, func(f Facts) float64 { return f.HoursToMark }},
		{"equiv_to_mark", "time to the mark, as at 24 °C", "h", 1, 0.5, func(f Facts) float64 { return f.Rise.ReachedEquivHours }},
		{"hours_past_mark", "time past the mark", "h", 1, 0.25, func(f Facts) float64 { return f.HoursPastMark }},
		{"hours_total", "time from start to end", "h", 1, 0.5, func(f Facts) float64 { return f.HoursTotal }},
	}
}

// Line is one line of the table of differences.
type Line struct {
	Feature Feature
	Values  []float64 // one a rise, NaN when unknown
	Differs bool      // two of them differ by more than matters
}

// Comparison is a table of what differed between rises.
type Comparison struct {
	Rises []Facts
	Lines []Line // only what is known of one rise at least
}

// Compare sets rises side by side.
func Compare(rises []Rise) Comparison {
	var c Comparison
	for _, r := range rises {
		c.Rises = append(c.Rises, FactsOf(r))
	}
	for _, feature := range Features() {
		l := Line{Feature: feature}
		low, high := math.Inf(1), math.Inf(-1)
		for _, f := range c.Rises {
			v := feature.Of(f)
			l.Values = append(l.Values, v)
			if !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		if low > high {
			continue
		}
		l.Differs = high-low > feature.Matters
		c.Lines = append(c.Lines, l)
	}
	return c
}

// Axis is what runs across an overlay of curves.
type Axis string

// The axes.
const (
	ClockAxis Axis = "clock" // hours since the start by the clock
	EquivAxis Axis = "equiv" // growth time at 24 C: curves of warm and cool kitchens fall together
)

// OverlayPoint is one point of an overlay.
type OverlayPoint struct {
	Hours       float64
	RisePercent float64
}

// Overlay lays a curve on an axis. Points whose place on the axis is not known
// are left out.
func Overlay(start time.Time, curve []CurvePoint, axis Axis) []OverlayPoint {
	out := make([]OverlayPoint, 0, len(curve))
	for _, p := range curve {
		x := p.Time.Sub(start).Hours()
		if axis == EquivAxis {
			x = p.EquivHours
		}
		if !math.IsNaN(x) && !math.IsNaN(p.RisePercent) {
			out = append(out, OverlayPoint{x, p.RisePercent})
		}
	}
	return out
}
