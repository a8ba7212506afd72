package demo

import (
	"fmt"
	"io"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/estimator"
)

// A forecast is told again when the likely moment has moved by leastMoved and by
// a third of the span in which it is sure.
const leastMoved = 10 * time.Minute

// timeline prints what a person would want to have been told.
type timeline struct {
	w     io.Writer
	words *text.Localizer
	seen  map[string]*told
}

// told is what was last said about a vessel.
type told struct {
	phase   estimator.Phase
	quality estimator.Quality
	ready   time.Time
	past    bool
	bread   breadTold
}

func newTimeline(w io.Writer, words *text.Localizer) *timeline {
	return &timeline{w: w, words: words, seen: map[string]*told{}}
}

// line prints one line.
func (t *timeline) line(at time.Time, vessel, kind, text string) {
	fmt.Fprintf(t.w, "%s  %-5s %-10s %s\n", t.words.Clock(at), vessel, kind, text)
}

// say prints one line in the words of the catalogue.
func (t *timeline) say(at time.Time, vessel, kind, key string, v text.Values) {
	t.line(at, vessel, kind, t.words.At(at).Say(key, v))
}

// person prints what the invented household does.
func (t *timeline) person(at time.Time, what string) {
	t.line(at, "", "people", what)
}

// alarm prints a warning.
func (t *timeline) alarm(at time.Time, a alert.Alarm) {
	t.line(at, a.Vessel, "warning", a.Text)
}

// estimate prints changes of phase, of sight and of the forecast.
func (t *timeline) estimate(vessel string, e estimator.Estimate) {
	s := t.seen[vessel]
	if s == nil {
		s = &told{phase: estimator.Idle, quality: estimator.QualityOK}
		t.seen[vessel] = s
	}
	if e.Phase != s.phase {
		s.phase = e.Phase
		t.say(e.Time, vessel, "phase", "demo.phase."+string(e.Phase), nil)
	}
	if e.Quality != s.quality {
		s.quality = e.Quality
		why := ""
		if e.QualityReason != "" {
			why = t.words.Say("cause."+string(e.QualityReason), nil)
		}
		t.say(e.Time, vessel, "sight", "demo.sight."+string(e.Quality), text.Values{"reason": why})
	}
	t.forecast(vessel, e, s)
}

// forecast prints a forecast that has moved.
func (t *timeline) forecast(vessel string, e estimator.Estimate, s *told) {
	w := e.Ready
	if w.IsZero() || e.Phase == estimator.Ended {
		s.ready, s.past = time.Time{}, false
		return
	}
	moved := w.Median.Sub(s.ready).Abs()
	v := text.Values{"percent": e.RisePercent, "target_percent": e.TargetPercent, "at": w.Median, "from": w.From, "until": w.Until}
	switch {
	case e.ReadyIsPast && !s.past:
		t.say(e.Time, vessel, "forecast", "demo.reached", v)
	case !e.ReadyIsPast && moved >= max(leastMoved, w.Until.Sub(w.From)/3):
		t.say(e.Time, vessel, "forecast", "demo.forecast", v)
	default:
		return
	}
	s.ready, s.past = w.Median, e.ReadyIsPast
}
