package demo

import (
	"fmt"
	"io"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web"
	"tidemark/web/glance"
)

// A time is told again when it has moved by leastMoved and by a third of the span in
// which it is sure.
const leastMoved = 10 * time.Minute

// timeline prints what a person would have been told: what people do, warnings, and what
// the page says at a glance whenever that is another thing or another time.
type timeline struct {
	w     io.Writer
	words *text.Localizer
	seen  map[string]told
}

// told is what was last said about a vessel.
type told struct {
	status bake.Status
	at     time.Time
	basis  string // key of what the time rests on
}

// line prints one line.
func (t *timeline) line(at time.Time, vessel, kind, text string) {
	fmt.Fprintf(t.w, "%s  %-5s %-15s %s\n", t.words.Clock(at), vessel, kind, text)
}

// person prints what the invented household does.
func (t *timeline) person(at time.Time, what string) { t.line(at, "", "people", what) }

// alarm prints a warning.
func (t *timeline) alarm(at time.Time, a alert.Alarm) { t.line(at, a.Vessel, "warning", a.Text) }

// glance prints what the page says of a vessel when it is news.
func (t *timeline) glance(v web.Vessel) {
	was, known := t.seen[v.Vessel]
	w, basis := v.Estimate.Ready, ""
	switch {
	case v.After != nil:
		w, basis = v.After.Until, string(v.After.Basis)
	case v.Care != nil:
		w, basis = v.Care.Peak, v.Care.Basis[0].Key
	}
	moved := w.Median.Sub(was.at).Abs() >= max(leastMoved, w.Until.Sub(w.From)/3)
	if v.Status == was.status && basis == was.basis && !moved || !known && v.Status == bake.StatusNothing {
		return
	}
	t.seen[v.Vessel] = told{v.Status, w.Median, basis}
	g := glance.Of(glance.Input{State: v.State}, t.words)
	t.line(v.At, v.Vessel, string(v.Status), strings.Join(strings.Fields(strings.Join([]string{g.Word, g.Day, g.Big + ".", g.Sentence, g.Doubt}, " ")), " "))
}
