package alert

import (
	"strings"

	"tidemark/alert/text"
	"tidemark/bake"
)

// stepWords are a step's name, what to do and its caution, in the household's
// language. The catalogue knows the steps by their key; one without a key keeps
// the words it has.
func (l *look) stepWords(s bake.Step) (name, do, caution string) {
	key := "step." + s.Key
	if s.Key == "" || !l.t.Has(key+".do") {
		return s.Name, s.Do, s.Caution
	}
	own, _ := strings.CutPrefix(s.Caution, bake.Warning(s.Warn...))
	var parts []string
	for _, w := range s.Warn {
		parts = append(parts, l.t.Say("caution."+w, nil))
	}
	v := text.Values{}
	for name, x := range s.Values {
		v[name] = x
	}
	return l.t.Say(key+".name", v), l.t.Say(key+".do", v), join(append(parts, strings.TrimSpace(own))...)
}
