package past

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tidemark/history"
	"tidemark/web/say"
)

// Name is what a rise is called in lists: its vessel and its day.
func Name(r history.Rise, h say.House) string {
	s := r.Vessel + ", " + h.Date(r.StartedAt)
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
		num("Equivalent time to the mark", "%.1f h", r.ReachedEquivHours),
		num("Highest level", "%.0f %%", r.PeakPercent),
		span("Time to the highest level", r.StartedAt, r.PeakAt),
		num("Equivalent time to the highest level", "%.1f h", r.PeakEquivHours),
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
	Name   string
	Values []string
	Spread float64 // largest over smallest value; NaN when it cannot be said
}

// Differences are the facts in which rises differ, in the order of Facts. A
// fact that is the same or unknown everywhere is left out.
func Differences(rises []history.Rise, h say.House) []Difference {
	var all [][]Fact
	for _, r := range rises {
		all = append(all, Facts(r, h))
	}
	if len(all) == 0 {
		return nil
	}
	var out []Difference
	for i, f := range all[0] {
		d := Difference{Name: f.Name, Spread: spread(all, i)}
		same := true
		for _, facts := range all {
			v := facts[i].Value
			same = same && v == all[0][i].Value
			if v == "" {
				v = "–"
			}
			d.Values = append(d.Values, v)
		}
		if !same {
			out = append(out, d)
		}
	}
	return out
}

func spread(all [][]Fact, i int) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, facts := range all {
		if v := facts[i].Num; !math.IsNaN(v) && v > 0 {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	if lo > hi {
		return math.NaN()
	}
	return hi / lo
}

// degrees writes a whole temperature in the household's unit.
func degrees(c float64, h say.House) string {
	return strings.Replace(h.Temperature(c), ".0 ", " ", 1)
}
