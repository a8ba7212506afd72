package past

import (
	"math"
	"slices"
	"strings"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
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
func Starters(rises []bake.Rise, l *text.Localizer) []Starter {
	byVessel := map[string][]bake.Rise{}
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
		v := bake.VigourTrendOf(byVessel[name])
		if len(v.Feeds) == 0 {
			continue
		}
		s := Starter{Vessel: name, Trends: []string{trendWords("to_peak", v.ToPeak, "h", 1, l), trendWords("peak", v.Peak, "%", 0, l)}}
		for _, r := range v.Feeds {
			s.Feedings = append(s.Feedings, Feeding{r.ID, l.Date(r.StartedAt), number(r.PeakEquivHours, 1, "h", l), number(r.PeakPercent, 0, "%", l)})
		}
		out = append(out, s)
	}
	return out
}

// trendWords says whether something changes over the weeks.
func trendWords(what string, t bake.Trend, unit string, decimals int, l *text.Localizer) string {
	v := text.Values{"n": t.N, "middle": number(t.Middle, decimals, unit, l)}
	key := "none"
	lo, hi := math.Abs(t.Low), math.Abs(t.High)
	switch {
	case t.N == 1:
		key = "one"
	case t.Clear:
		key = "grows"
		if t.PerWeek < 0 {
			key = "shrinks"
		}
		v["step"], v["low"], v["high"] = number(math.Abs(t.PerWeek), decimals+1, unit, l), number(math.Min(lo, hi), decimals+1, "", l), number(math.Max(lo, hi), decimals+1, unit, l)
	}
	return l.Say("past.trend."+what, nil) + " " + l.Say("past.trend."+key, v)
}

// value writes a feature's number in the household's unit.
func value(f feature, v float64, l *text.Localizer) string {
	if f.unit == "C" && !math.IsNaN(v) {
		return l.TempFine(v)
	}
	return number(v, f.decimals, f.unit, l)
}

// number writes a number with its unit, and nothing when it is not known.
func number(v float64, decimals int, unit string, l *text.Localizer) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strings.TrimSpace(l.Number(v, decimals) + " " + unit)
}
