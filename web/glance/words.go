package glance

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
)

// Upper begins a line.
func Upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// lower is the same within a line. German nouns keep their capitals: the labels of
// buttons begin with other words.
func lower(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
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

// Words are a step in the household's words.
type Words struct {
	Name, Do, Caution string
}

// StepOf returns a step in the words of the catalogue. l should be At the moment it is
// said.
func StepOf(x bake.Step, l *text.Localizer) Words {
	out := Words{Upper(l.Tell(x.Name)), l.Tell(x.Do), l.Tell(x.Caution...)}
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
