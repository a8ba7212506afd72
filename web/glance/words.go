package glance

import (
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
)

// upper begins a line.
func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// joined joins what is not empty.
func joined(sep string, parts ...string) string {
	var out []string
	for _, p := range parts {
		if p != "" {
			out = append(out, p)
		}
	}
	return strings.Join(out, sep)
}

// two writes a number with two digits.
func two(n int) string {
	if n < 10 {
		return "0" + strconv.Itoa(n)
	}
	return strconv.Itoa(n)
}

// values are a step's numbers for the catalogue.
func values(v bake.Values) text.Values {
	out := text.Values{}
	for name, x := range v {
		out[name] = x
	}
	return out
}

// Step is one step in the household's words.
type Step struct {
	Name, Do, Caution string
}

// StepOf returns a step in the words of the catalogue, or in its own where that
// has none. l should be At the moment it is said.
func StepOf(x bake.Step, l *text.Localizer) Step {
	out := Step{upper(x.Name), x.Do, x.Caution}
	name := x.Key
	if x.Trigger == bake.ByRise && !strings.HasPrefix(name, x.ID) {
		name = x.ID // once it is due its words are those of what comes next, its name stays
	}
	if key := "step." + name + ".name"; x.Key != "" && l.Has(key) {
		out.Name, out.Do = upper(l.Say(key, nil)), l.Say("step."+x.Key+".do", values(x.Values))
	}
	if len(x.Warn) > 0 {
		var all []string
		for _, w := range x.Warn {
			all = append(all, l.Say("caution."+w, nil))
		}
		own := strings.TrimSpace(strings.TrimPrefix(x.Caution, bake.Warning(x.Warn...)))
		out.Caution = joined(" ", strings.Join(all, " "), own)
	}
	out.Do, out.Caution = inScale(out.Do, l), inScale(out.Caution, l)
	if n, isFold := strings.CutPrefix(x.ID, "fold-"); isFold {
		if key := "page.fold." + n; l.Has(key) {
			out.Name = l.Say(key, nil)
		}
	}
	return out
}

// step is the step of a State by its ID.
func (t *teller) step(id string) (bake.Step, bool) {
	for _, x := range t.s.Steps {
		if x.ID == id {
			return x, true
		}
	}
	return bake.Step{}, false
}

// stepName is the name of a step of the State.
func (t *teller) stepName(id string) string {
	x, ok := t.step(id)
	if !ok {
		return ""
	}
	return StepOf(x, t.l).Name
}

// TapLabel is the word on the button that says a step was done.
func TapLabel(x bake.Step, l *text.Localizer) string {
	for _, key := range []string{"page.did." + x.Key, "page.did." + strings.Split(x.Key+".", ".")[0]} {
		if l.Has(key) {
			return l.Say(key, nil)
		}
	}
	return l.Say("page.did", nil)
}

// degrees finds temperatures that stand in the catalogue as they are, with a range.
var degrees = regexp.MustCompile(`(?:(\d+)( \pL+ ))?(\d+)[ \x{a0}]°C`)

// inScale writes the degrees of a text on the household's scale.
func inScale(words string, l *text.Localizer) string {
	if !l.Locale().Fahrenheit {
		return words
	}
	return degrees.ReplaceAllStringFunc(words, func(found string) string {
		m := degrees.FindStringSubmatch(found)
		number := func(text string) float64 {
			c, _ := strconv.ParseFloat(text, 64) // only digits are found
			return c
		}
		if m[1] == "" {
			return l.Temp(number(m[3]))
		}
		return l.Number(number(m[1])*9/5+32, 0) + m[2] + l.Temp(number(m[3]))
	})
}
