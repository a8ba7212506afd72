package past

import (
	"fmt"
	"math"
	"slices"

	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web/say"
)

// Starter is how one starter does over the weeks, in words.
type Starter struct {
	Vessel   string
	Feedings []Feeding // oldest first
	Trends   []string
}

// Feeding is one feeding that was watched past its peak.
type Feeding struct {
	RiseID                int64
	Day, ToPeak, PeakRise string
}

// Starters tells how each starter does, by the vessel it lives in. A starter
// that was never watched past a peak is left out.
func Starters(rises []history.Rise, h say.House) []Starter {
	byVessel := map[string][]history.Rise{}
	var names []string
	for _, r := range rises {
		if r.Holds == estimator.Starter {
			if byVessel[r.Vessel] == nil {
				names = append(names, r.Vessel)
			}
			byVessel[r.Vessel] = append(byVessel[r.Vessel], r)
		}
	}
	slices.Sort(names)
	var out []Starter
	for _, name := range names {
		v := history.VigourOf(byVessel[name])
		if len(v.Points) == 0 {
			continue
		}
		s := Starter{Vessel: name, Trends: []string{TrendWords("The time to the peak", v.ToPeak, "h", 1), TrendWords("The height of the peak", v.Peak, "points", 0)}}
		for _, p := range v.Points {
			s.Feedings = append(s.Feedings, Feeding{p.RiseID, h.Date(p.At), number(p.EquivToPeak, 1, "h"), number(p.PeakPercent, 0, "%")})
		}
		out = append(out, s)
	}
	return out
}

// TrendWords says whether something changes over the weeks.
func TrendWords(what string, t history.Trend, unit string, decimals int) string {
	if t.N == 1 {
		return fmt.Sprintf("%s: %s in the one feeding that was watched so far.", what, number(t.Middle, decimals, unit))
	}
	if !t.Clear {
		return fmt.Sprintf("%s shows no clear trend in %d feedings (middle %s).", what, t.N, number(t.Middle, decimals, unit))
	}
	word := "grows"
	if t.PerWeek < 0 {
		word = "shrinks"
	}
	lo, hi := math.Abs(t.Low), math.Abs(t.High)
	return fmt.Sprintf("%s %s by %s a week (19 in 20: %s to %s, from %d feedings).", what, word, number(math.Abs(t.PerWeek), decimals+1, unit),
		number(math.Min(lo, hi), decimals+1, ""), number(math.Max(lo, hi), decimals+1, unit), t.N)
}

// InCommon tells what the doughs judged right had in common that the others had
// not, or why that cannot be said.
func InCommon(rises []history.Rise, h say.House) []string {
	c := history.CommonOf(rises, estimator.Dough)
	if c.None != "" {
		return []string{c.None}
	}
	out := []string{fmt.Sprintf("The %d rises judged right, against %d others:", c.Right, c.Other)}
	for _, f := range c.Findings {
		out = append(out, fmt.Sprintf("%s: half of them between %s and %s (middle %s). Of the others, half were %s or more away from that middle.",
			upperFirst(f.Feature.Label), value(f.Feature, f.Low, h), value(f.Feature, f.High, h), value(f.Feature, f.RightMedian, h), distance(f.Feature, f.Distance, h)))
	}
	return append(out, "This says what went together, not what caused what.")
}

// value writes a feature's number in the household's unit.
func value(f history.Feature, v float64, h say.House) string {
	if f.Unit == "C" && !math.IsNaN(v) {
		return h.Temperature(v)
	}
	return number(v, f.Decimals, f.Unit)
}

// distance writes how far two numbers of a feature lie apart.
func distance(f history.Feature, v float64, h say.House) string {
	switch {
	case f.Unit == "C" && h.Fahrenheit:
		return number(v*9/5, f.Decimals, "°F")
	case f.Unit == "C":
		return number(v, f.Decimals, "°C")
	}
	return number(v, f.Decimals, f.Unit)
}

// number writes a number with its unit, and nothing when it is not known.
func number(v float64, decimals int, unit string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	if unit != "" {
		unit = " " + unit
	}
	return fmt.Sprintf("%.*f%s", decimals, v+0, unit)
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	r := []rune(s)
	if r[0] >= 'a' && r[0] <= 'z' {
		r[0] -= 'a' - 'A'
	}
	return string(r)
}
