package past

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/history"
	"tidemark/web/say"
)

// Name is what a rise is called in lists: its vessel and its start, as a starter may be fed twice a day.
func Name(r history.Rise, h say.House) string {
	s := r.Vessel + ", " + h.Date(r.StartedAt) + " " + h.Clock(r.StartedAt)
	if b := BatchName(r); b != "" {
		s += ", " + b
	}
	return s
}

// Sentence tells one rise in a sentence or two.
func Sentence(r history.Rise, h say.House) string {
	var s string
	switch {
	case !r.ReachedAt.IsZero():
		s = fmt.Sprintf("Reached the mark of %s after %s", say.Percent(r.TargetPercent), say.Duration(r.ReachedAt.Sub(r.StartedAt)))
	case r.UnderWay():
		s = "Still under way"
	case known(r.PeakPercent):
		s = fmt.Sprintf("Did not reach the mark of %s; its highest level was %s", say.Percent(r.TargetPercent), say.Percent(r.PeakPercent))
	default:
		s = "Ended before a level was known"
	}
	if known(r.MeanDoughC) {
		s += ", at " + h.Temperature(r.MeanDoughC) + " on average"
	}
	s += "."
	if o := OutcomeWord(r.Outcome); o != "" {
		s += " Result: " + o + "."
	}
	return s
}

// OutcomeWord is an outcome in words, empty when not judged.
func OutcomeWord(o string) string {
	switch o {
	case "under":
		return "underproofed"
	case "right":
		return "right"
	case "over":
		return "overproofed"
	}
	return ""
}

// known reports whether a number is one: neither missing nor the zero of a
// field that was never set.
func known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) && v != 0 }

// Fact is one line about a rise.
type Fact struct {
	Name  string
	Value string  // as shown; "" when not known
	Num   float64 // to compare; NaN when not known or not a number
}

// Facts are all that is kept of a rise, in a fixed order and with every name,
// so that the facts of several rises stand beside each other.
func Facts(r history.Rise, h say.House) []Fact {
	num := func(name, format string, v float64) Fact {
		if !known(v) {
			return Fact{Name: name, Num: math.NaN()}
		}
		return Fact{name, fmt.Sprintf(format, v), v}
	}
	out := []Fact{
		{"Started", h.Date(r.StartedAt) + " " + h.Clock(r.StartedAt), math.NaN()},
		{"Ended", ended(r, h), math.NaN()},
		{"Batch", BatchName(r), math.NaN()},
		temperature("Mean dough temperature", r.MeanDoughC, h),
		inoculation(r),
		num("Fastest rise", "%.0f %% an hour", r.MaxRate),
		num("Mark", "%.0f %%", r.TargetPercent),
		span("Time to the mark", r.StartedAt, r.ReachedAt),
		num("Time to the mark, as at 24 °C", "%.1f h", r.ReachedEquivHours),
		num("Highest level", "%.0f %%", r.PeakPercent),
		span("Time to the highest level", r.StartedAt, r.PeakAt),
		num("Time to the highest level, as at 24 °C", "%.1f h", r.PeakEquivHours),
		num("Expected ceiling", "%.0f %%", r.CeilingPct),
		span("Time past the mark", r.ReachedAt, r.EndedAt),
		num("Start volume", "%.2f L", r.BaselineL),
		{"Outcome", OutcomeWord(r.Outcome), math.NaN()},
		{"Oven spring", r.OvenSpring, math.NaN()},
		{"Note", r.Note, math.NaN()},
	}
	return out
}

func ended(r history.Rise, h say.House) string {
	if r.UnderWay() {
		return "under way"
	}
	return h.Date(r.EndedAt) + " " + h.Clock(r.EndedAt)
}

func temperature(name string, c float64, h say.House) Fact {
	if !known(c) {
		return Fact{Name: name, Num: math.NaN()}
	}
	return Fact{name, h.Temperature(c), c}
}

func inoculation(r history.Rise) Fact {
	_, n, ok := numbers(r)
	if !ok || !known(n.InoculationPercent) {
		return Fact{Name: "Inoculation", Num: math.NaN()}
	}
	return Fact{"Inoculation", fmt.Sprintf("%.1f %%", n.InoculationPercent), n.InoculationPercent}
}

// span is a length of time between two moments that are both known.
func span(name string, from, until time.Time) Fact {
	if from.IsZero() || until.IsZero() || until.Before(from) {
		return Fact{Name: name, Num: math.NaN()}
	}
	return Fact{name, say.Duration(until.Sub(from)), until.Sub(from).Hours()}
}

// Difference is one line of the table of what differed.
type Difference struct {
	Name    string
	Values  []string // one a rise; a dash for what is not known
	Matters bool     // a number that differs by more than matters
}

// Differences are the lines in which rises differ, as package history compares
// them. A line that is the same or unknown everywhere is left out.
func Differences(rises []history.Rise, h say.House) []Difference {
	c := history.Compare(rises)
	var out []Difference
	add := func(name string, matters bool, cell func(i int) string) {
		d := Difference{Name: name, Matters: matters}
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
	add("Batch", false, func(i int) string { return BatchName(rises[i]) })
	add("Feeding", false, func(i int) string { return c.Rises[i].FeedRatio })
	for _, l := range c.Lines {
		add(upperFirst(l.Feature.Label), l.Differs, func(i int) string { return value(l.Feature, l.Values[i], h) })
	}
	add("Outcome", false, func(i int) string { return OutcomeWord(rises[i].Outcome) })
	add("Oven spring", false, func(i int) string { return rises[i].OvenSpring })
	add("Note", false, func(i int) string { return rises[i].Note })
	return out
}

// Said is a forecast of a past rise and what came of it, as times of day.
type Said struct{ At, Ready, From, Until, Was string }

func (s Said) String() string {
	return fmt.Sprintf("At %s it said %s (between %s and %s), it was %s.", s.At, s.Ready, s.From, s.Until, s.Was)
}

// Foretold returns what was forecast some hours before the mark was reached; nothing
// before that.
func Foretold(r history.Rise, kept []history.Forecast, h say.House) []Said {
	var out []Said
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
			out = append(out, Said{h.Clock(last.At), h.Clock(last.Ready.Median), h.Clock(last.Ready.From), h.Clock(last.Ready.Until), h.Clock(r.ReachedAt)})
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
func JudgedOf(rises []history.Rise, h say.House) Judged {
	var out Judged
	counts, table := history.Judged(rises)
	seen := 0
	for i, o := range history.Outcomes() {
		out.Columns = append(out.Columns, fmt.Sprintf("%s (%d)", OutcomeWord(o), counts[i]))
		seen += min(1, counts[i])
	}
	if seen < 2 {
		return out
	}
	for _, l := range table {
		d := Difference{Name: upperFirst(l.Feature.Label), Matters: l.Differs}
		for _, v := range l.Values {
			d.Values = append(d.Values, orDash(value(l.Feature, v, h)))
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

// degrees writes a whole temperature in the household's unit.
func degrees(c float64, h say.House) string {
	return strings.Replace(h.Temperature(c), ".0 ", " ", 1)
}
