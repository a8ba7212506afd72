package past

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
)

// Name is what a rise is called in lists: its vessel and its start, as a starter may be fed twice a day.
func Name(r history.Rise, l *text.Localizer) string {
	s := r.Vessel + ", " + stamp(r.StartedAt, l)
	if b := BatchName(r); b != "" {
		s += ", " + b
	}
	return s
}

// stamp is a day and a time of day.
func stamp(t time.Time, l *text.Localizer) string { return l.Date(t) + " " + l.Clock(t) }

// Sentence tells one rise in some sentences.
func Sentence(r history.Rise, l *text.Localizer) string {
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
func Facts(r history.Rise, l *text.Localizer) []Fact {
	var out []Fact
	add := func(key, value string) {
		if value != "" {
			out = append(out, Fact{l.Say("past.fact."+key, nil), value})
		}
	}
	num := func(v float64, form func(float64) string) string {
		if !known(v) {
			return ""
		}
		return form(v)
	}
	hours := func(v float64) string { return l.Number(v, 1) + " h" }
	ended := l.Say("past.under_way", nil)
	if !r.UnderWay() {
		ended = stamp(r.EndedAt, l)
	}
	_, n, _ := numbers(r)
	add("started", stamp(r.StartedAt, l))
	add("ended", ended)
	add("batch", BatchName(r))
	add("mean_dough_c", num(r.MeanDoughC, l.TempFine))
	add("inoculation_percent", num(n.InoculationPercent, func(v float64) string { return l.Number(v, 1) + " %" }))
	add("max_rate", num(r.MaxRate, func(v float64) string { return l.Say("page.fact.an_hour", text.Values{"percent": v}) }))
	add("target_percent", num(r.TargetPercent, l.Percent))
	add("to_mark", span(r.StartedAt, r.ReachedAt, l))
	add("equiv_to_mark", num(r.ReachedEquivHours, hours))
	add("peak_percent", num(r.PeakPercent, l.Percent))
	add("to_peak", span(r.StartedAt, r.PeakAt, l))
	add("equiv_to_peak", num(r.PeakEquivHours, hours))
	add("ceiling_percent", num(r.CeilingPct, l.Percent))
	add("past_mark", span(r.ReachedAt, r.EndedAt, l))
	add("volume", num(r.BaselineL, func(v float64) string { return l.Number(v, 2) + " L" }))
	add("outcome", OutcomeWord(r.Outcome, l))
	add("oven_spring", r.OvenSpring)
	add("note", r.Note)
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

// Differences are the lines in which rises differ, as package history compares
// them. A line that is the same or unknown everywhere is left out.
func Differences(rises []history.Rise, l *text.Localizer) []Difference {
	c := history.Compare(rises)
	var out []Difference
	add := func(key string, matters bool, cell func(i int) string) {
		d := Difference{Name: l.Say("past.fact."+key, nil), Matters: matters}
		for i := range rises {
			d.Values = append(d.Values, cell(i))
		}
		if len(slices.Compact(slices.Clone(d.Values))) < 2 {
			return
		}
		for i, v := range d.Values {
			d.Values[i] = orDash(v)
		}
		out = append(out, d)
	}
	add("batch", false, func(i int) string { return BatchName(rises[i]) })
	add("feed", false, func(i int) string { return c.Rises[i].FeedRatio })
	for _, x := range c.Lines {
		add(x.Feature.Key, x.Differs, func(i int) string { return value(x.Feature, x.Values[i], l) })
	}
	add("outcome", false, func(i int) string { return OutcomeWord(rises[i].Outcome, l) })
	add("oven_spring", false, func(i int) string { return rises[i].OvenSpring })
	add("note", false, func(i int) string { return rises[i].Note })
	return out
}

// Foretold returns what was forecast some hours before the mark was reached and what
// came of it, in sentences; nothing before that.
func Foretold(r history.Rise, kept []history.Forecast, l *text.Localizer) []string {
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

// JudgedOf returns the table over the judged doughs among rises; it has no lines
// while fewer than two outcomes were seen.
func JudgedOf(rises []history.Rise, l *text.Localizer) Judged {
	var out Judged
	counts, table := history.Judged(rises)
	seen := 0
	for i, o := range history.Outcomes() {
		out.Columns = append(out.Columns, fmt.Sprintf("%s (%d)", OutcomeWord(o, l), counts[i]))
		seen += min(1, counts[i])
	}
	if seen < 2 {
		return out
	}
	for _, x := range table {
		d := Difference{Name: l.Say("past.fact."+x.Feature.Key, nil), Matters: x.Differs}
		for _, v := range x.Values {
			d.Values = append(d.Values, orDash(value(x.Feature, v, l)))
		}
		out.Lines = append(out.Lines, d)
	}
	return out
}

// orDash returns s, or a dash for nothing.
func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
