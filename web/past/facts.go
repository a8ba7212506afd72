package past

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// Name is what a rise is called in lists: its vessel and its start, as a starter may be fed twice a day.
func Name(r bake.Rise, l *text.Localizer) string {
	s := r.Vessel + ", " + stamp(r.StartedAt, l)
	if b := BatchName(r); b != "" {
		s += ", " + b
	}
	return s
}

// stamp is a day and a time of day.
func stamp(t time.Time, l *text.Localizer) string { return l.Date(t) + " " + l.Clock(t) }

// Sentence tells one rise in some sentences.
func Sentence(r bake.Rise, l *text.Localizer) string {
	key := "unseen"
	switch {
	case !r.ReachedAt.IsZero():
		key = "reached"
	case r.UnderWay():
		key = "under_way"
	case known(r.PeakPercent):
		key = "short"
	}
	s := l.Say("past."+key, text.Values{"target_percent": r.TargetPercent, "span": r.ReachedAt.Sub(r.StartedAt), "peak_percent": r.PeakPercent})
	if known(r.MeanDoughC) {
		s += " " + l.Say("past.mean", text.Values{"mean_fine_c": r.MeanDoughC})
	}
	if o := OutcomeWord(r.Outcome, l); o != "" {
		s += " " + l.Say("past.result", text.Values{"outcome": o})
	}
	return s
}

// OutcomeWord is an outcome in words, empty when not judged.
func OutcomeWord(o string, l *text.Localizer) string {
	if !l.Has("past.outcome." + o) {
		return ""
	}
	return l.Say("past.outcome."+o, nil)
}

// known reports whether a number is one: neither missing nor the zero of a
// field that was never set.
func known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) && v != 0 }

// Fact is one line about a rise.
type Fact struct{ Name, Value string }

// Facts are what is kept of a rise and known, in a fixed order.
func Facts(r bake.Rise, l *text.Localizer) []Fact {
	when := func(v float64, said string) string {
		if !known(v) {
			return ""
		}
		return said
	}
	inHours := func(v float64) string { return when(v, l.Number(v, 1)+" h") }
	ended := l.Say("past.under_way", nil)
	if !r.UnderWay() {
		ended = stamp(r.EndedAt, l)
	}
	_, n, _ := numbers(r)
	out := []Fact{{"started", stamp(r.StartedAt, l)}, {"ended", ended}, {"batch", BatchName(r)},
		{"mean_dough_c", when(r.MeanDoughC, l.TempFine(r.MeanDoughC))},
		{"inoculation_percent", when(n.InoculationPercent, l.Number(n.InoculationPercent, 1)+" %")},
		{"max_rate", when(r.MaxRate, l.Say("page.fact.an_hour", text.Values{"percent": r.MaxRate}))},
		{"target_percent", when(r.TargetPercent, l.Percent(r.TargetPercent))},
		{"to_mark", span(r.StartedAt, r.ReachedAt, l)}, {"equiv_to_mark", inHours(r.ReachedEquivHours)},
		{"peak_percent", when(r.PeakPercent, l.Percent(r.PeakPercent))},
		{"to_peak", span(r.StartedAt, r.PeakAt, l)}, {"equiv_to_peak", inHours(r.PeakEquivHours)},
		{"ceiling_percent", when(r.CeilingPercent, l.Percent(r.CeilingPercent))},
		{"past_mark", span(r.ReachedAt, r.EndedAt, l)},
		{"volume", when(r.BaselineL, l.Number(r.BaselineL, 2)+" L")},
		{"outcome", OutcomeWord(r.Outcome, l)}, {"oven_spring", r.OvenSpring}, {"note", r.Note}}
	out = slices.DeleteFunc(out, func(f Fact) bool { return f.Value == "" })
	for i := range out {
		out[i].Name = l.Say("past.fact."+out[i].Name, nil)
	}
	return out
}

// span is a length of time between two moments that are both known.
func span(from, until time.Time, l *text.Localizer) string {
	if from.IsZero() || until.IsZero() || until.Before(from) {
		return ""
	}
	return l.Span(until.Sub(from))
}

// Difference is one line of the table of what differed.
type Difference struct {
	Name    string
	Values  []string // one a rise; a dash for what is not known
	Matters bool     // a number that differs by more than matters
}

// feature is one number that tells rises apart. One of a rise that is exactly zero was
// never set.
type feature struct {
	key      string // of its name in the catalogue
	unit     string // "C", "%", "h", "%/h"
	decimals int
	matters  float64 // the least difference worth a word, common practice, no source
	of       func(bake.Rise) float64
}

// features returns what is set side by side.
func features() []feature {
	mixed := func(of func(bake.Numbers) float64) func(bake.Rise) float64 {
		return func(r bake.Rise) float64 {
			if _, n, ok := numbers(r); ok {
				return of(n)
			}
			return math.NaN()
		}
	}
	return []feature{
		{"mean_dough_c", "C", 1, 0.5, func(r bake.Rise) float64 { return set(r.MeanDoughC) }},
		{"inoculation_percent", "%", 1, 2, mixed(func(n bake.Numbers) float64 { return n.InoculationPercent })},
		{"hydration_percent", "%", 0, 2, mixed(func(n bake.Numbers) float64 { return n.HydrationPercent })},
		{"salt_percent", "%", 1, 0.2, mixed(func(n bake.Numbers) float64 { return n.SaltPercent })},
		{"whole_percent", "%", 0, 5, mixed(func(n bake.Numbers) float64 { return n.WholePercent })},
		{"feed_doublings", "", 1, 0.3, func(r bake.Rise) float64 {
			if feed := r.Fed(); feed != nil {
				return feed.Doublings()
			}
			return math.NaN()
		}},
		{"max_rate", "%/h", 0, 3, func(r bake.Rise) float64 { return set(r.MaxRate) }},
		{"ceiling_percent", "%", 0, 10, func(r bake.Rise) float64 { return set(r.CeilingPercent) }},
		{"peak_percent", "%", 0, 5, func(r bake.Rise) float64 { return set(r.PeakPercent) }},
		{"target_percent", "%", 0, 5, func(r bake.Rise) float64 { return set(r.TargetPercent) }},
		{"hours_to_mark", "h", 1, 0.5, func(r bake.Rise) float64 { return hours(r.StartedAt, r.ReachedAt) }},
		{"equiv_to_mark", "h", 1, 0.5, func(r bake.Rise) float64 { return set(r.ReachedEquivHours) }},
		{"hours_past_mark", "h", 1, 0.25, func(r bake.Rise) float64 { return hours(r.ReachedAt, r.EndedAt) }},
		{"hours_total", "h", 1, 0.5, func(r bake.Rise) float64 { return hours(r.StartedAt, r.EndedAt) }},
	}
}

// set is a number of a rise; zero was never set.
func set(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

// hours returns the hours between two moments; NaN when one is missing.
func hours(from, to time.Time) float64 {
	if from.IsZero() || to.IsZero() {
		return math.NaN()
	}
	return to.Sub(from).Hours()
}

// lines returns the features that are known in at least one column, and whether two
// columns differ by more than matters.
func lines(columns int, l *text.Localizer, of func(column int, f feature) float64) []Difference {
	var out []Difference
	for _, f := range features() {
		d := Difference{Name: l.Say("past.fact."+f.key, nil)}
		low, high := math.Inf(1), math.Inf(-1)
		for i := range columns {
			v := of(i, f)
			d.Values = append(d.Values, orDash(value(f, v, l)))
			if !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		if d.Matters = high-low > f.matters; low <= high {
			out = append(out, d)
		}
	}
	return out
}

// Differences are the lines in which rises differ. A line that is the same or unknown
// everywhere is left out.
func Differences(rises []bake.Rise, l *text.Localizer) []Difference {
	words := func(key string, of func(bake.Rise) string) Difference {
		d := Difference{Name: l.Say("past.fact."+key, nil)}
		for _, r := range rises {
			d.Values = append(d.Values, orDash(of(r)))
		}
		return d
	}
	out := []Difference{words("batch", BatchName), words("feed", func(r bake.Rise) string {
		if feed := r.Fed(); feed != nil {
			return feed.Ratio()
		}
		return ""
	})}
	out = append(out, lines(len(rises), l, func(i int, f feature) float64 { return f.of(rises[i]) })...)
	out = append(out, words("outcome", func(r bake.Rise) string { return OutcomeWord(r.Outcome, l) }),
		words("oven_spring", func(r bake.Rise) string { return r.OvenSpring }), words("note", func(r bake.Rise) string { return r.Note }))
	return slices.DeleteFunc(out, func(d Difference) bool { return len(slices.Compact(slices.Clone(d.Values))) < 2 })
}

// Foretold returns what was forecast some hours before the mark was reached and what
// came of it, in sentences; nothing before that.
func Foretold(r bake.Rise, kept []history.Forecast, l *text.Localizer) []string {
	var out []string
	if r.ReachedAt.IsZero() {
		return nil
	}
	for _, ahead := range []time.Duration{4 * time.Hour, 2 * time.Hour, time.Hour, 30 * time.Minute} {
		before := r.ReachedAt.Add(-ahead)
		var last history.Forecast // with a window, at most half an hour older
		for _, f := range kept {
			if !f.At.After(before) && before.Sub(f.At) <= 30*time.Minute && !f.Ready.IsZero() {
				last = f
			}
		}
		if !last.At.IsZero() {
			out = append(out, l.Say("page.past.foretold", text.Values{"at": last.At, "ready": last.Ready.Median, "from": last.Ready.From, "until": last.Ready.Until, "was": r.ReachedAt}))
		}
	}
	return out
}

// Judged is the table of what differed between loaves by how they were judged.
type Judged struct {
	Columns []string // the outcomes, each with its number of rises
	Lines   []Difference
}

// JudgedOf returns the table over the judged doughs among rises, with the median of each
// outcome; it has no lines while fewer than two outcomes were seen.
func JudgedOf(rises []bake.Rise, l *text.Localizer) Judged {
	var out Judged
	of := map[string][]bake.Rise{}
	for _, r := range rises {
		if r.Holds == estimator.Dough && r.Outcome != "" {
			of[r.Outcome] = append(of[r.Outcome], r)
		}
	}
	for _, o := range bake.Outcomes() {
		out.Columns = append(out.Columns, fmt.Sprintf("%s (%d)", OutcomeWord(o, l), len(of[o])))
	}
	if len(of) < 2 {
		return out
	}
	out.Lines = lines(len(bake.Outcomes()), l, func(i int, f feature) float64 {
		var known []float64
		for _, r := range of[bake.Outcomes()[i]] {
			if v := f.of(r); !math.IsNaN(v) {
				known = append(known, v)
			}
		}
		return bake.Median(known)
	})
	return out
}

// orDash returns s, or a dash for nothing.
func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
