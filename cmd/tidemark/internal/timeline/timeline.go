// Package timeline prints a rise as a person would have been told of it: what people do,
// warnings, and what the page says at a glance whenever that is another thing or another
// time. Demo and replay use it.
package timeline

import (
	"fmt"
	"io"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/glance"
)

// A time is told again when it has moved by leastMoved and by a third of the span in
// which it is sure.
const leastMoved = 10 * time.Minute

// Timeline prints to a writer. Make one with New.
type Timeline struct {
	w     io.Writer
	words *text.Localizer
	seen  map[string]told
	err   error // the first of writing
}

// told is what was last said about a vessel.
type told struct {
	status bake.Status
	at     time.Time
	basis  string // key of what the time rests on
}

// New returns a Timeline in the words of l.
func New(w io.Writer, l *text.Localizer) *Timeline { return &Timeline{w, l, map[string]told{}, nil} }

// line prints one line.
func (t *Timeline) line(at time.Time, vessel, kind, text string) {
	if t.err == nil {
		_, t.err = fmt.Fprintf(t.w, "%s  %-5s %-15s %s\n", t.words.Clock(at), vessel, kind, text)
	}
}

// Person prints what people do.
func (t *Timeline) Person(at time.Time, what string) { t.line(at, "", "people", what) }

// Alarm prints a warning.
func (t *Timeline) Alarm(at time.Time, a alert.Alarm) { t.line(at, a.Vessel, "warning", a.Text) }

// Glance prints what the page says of a vessel when it is news.
func (t *Timeline) Glance(s bake.State) {
	was, known := t.seen[s.Vessel]
	w, basis := s.Estimate.Ready, ""
	switch {
	case s.After != nil:
		w, basis = s.After.Until, string(s.After.Basis)
	case s.Care != nil:
		w, basis = s.Care.Peak, s.Care.Basis[0].Key
	}
	moved := w.Median.Sub(was.at).Abs() >= max(leastMoved, w.Until.Sub(w.From)/3)
	if s.Status == was.status && basis == was.basis && !moved || !known && s.Status == bake.StatusNothing {
		return
	}
	t.seen[s.Vessel] = told{s.Status, w.Median, basis}
	g := glance.Of(glance.Input{State: s}, t.words)
	t.line(s.At, s.Vessel, string(s.Status), strings.Join(strings.Fields(strings.Join([]string{g.Word, g.Day, g.Big + ".", g.Sentence, g.Doubt}, " ")), " "))
}

// Err returns the first error of writing; nil when all was written.
func (t *Timeline) Err() error { return t.err }
