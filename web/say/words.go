package say

import (
	"strconv"
	"time"

	"tidemark/bake"
)

// Text returns a text of package bake with its moments and temperatures as the
// household writes them, seen from now.
func (h House) Text(text string, now time.Time) string {
	return bake.Put(text, func(t time.Time) string { return h.Moment(t, now) }, func(c float64, decimals int) string {
		if h.Fahrenheit { // a degree of it is about half as large
			decimals = max(0, decimals-1)
		}
		return strconv.FormatFloat(h.scale(c), 'f', decimals, 64)
	}, h.unit())
}

// Texts is Text for each of a list.
func (h House) Texts(list []string, now time.Time) []string {
	if list == nil {
		return nil
	}
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = h.Text(s, now)
	}
	return out
}

// Steps returns the steps with the household's words in their texts.
func (h House) Steps(steps []bake.Step, now time.Time) []bake.Step {
	if steps == nil {
		return nil
	}
	out := make([]bake.Step, len(steps))
	for i, s := range steps {
		s.Do, s.Caution, s.Question, s.Why = h.Text(s.Do, now), h.Text(s.Caution, now), h.Text(s.Question, now), h.Text(s.Why, now)
		out[i] = s
	}
	return out
}

// Findings returns the verdicts on a starter with the household's words.
func (h House) Findings(list []bake.Finding, now time.Time) []bake.Finding {
	out := make([]bake.Finding, len(list))
	for i, f := range list {
		f.What, f.Evidence, f.Do = h.Text(f.What, now), h.Text(f.Evidence, now), h.Texts(f.Do, now)
		out[i] = f
	}
	return out
}

// scale is a temperature given in Celsius on the household's scale.
func (h House) scale(c float64) float64 {
	if h.Fahrenheit {
		return c*9/5 + 32
	}
	return c
}

// unit is that of the household's scale.
func (h House) unit() string {
	if h.Fahrenheit {
		return "°F"
	}
	return "°C"
}
