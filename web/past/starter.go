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

// value writes a feature's number in the household's unit.
func value(f history.Feature, v float64, h say.House) string {
	if f.Unit == "C" && !math.IsNaN(v) {
		return h.Temperature(v)
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
