package alert

import (
	"strings"

	"tidemark/bake"
)

// stepWords are a step's name, what to do and its caution, in the household's
// language. The catalogue knows the steps of the default bread by their id; what
// a person has worded otherwise stays as it is.
func (l *look) stepWords(s bake.Step) (name, do, caution string) {
	id := s.ID
	if strings.HasPrefix(id, "fold-") {
		id = "fold" // the folds are told alike
	}
	t, key := l.t, "step."+id
	do = t.Instead(key+".do", s.Do)
	if s.Trigger == bake.ByRise && s.State == bake.DueNow {
		do = t.Instead(key+".due", s.Do)
	}
	return t.Instead(key+".name", s.Name), do, t.Instead(key+".caution", s.Caution)
}
