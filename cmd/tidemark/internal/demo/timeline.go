package demo

import (
	"fmt"
	"io"
	"time"

	"tidemark/alert"
	"tidemark/estimator"
	"tidemark/web/say"
)

// A forecast is told again when the likely moment has moved by leastMoved and by
// a third of the span in which it is sure.
const leastMoved = 10 * time.Minute

// timeline prints what a person would want to have been told.
type timeline struct {
	w    io.Writer
	zone *time.Location
	seen map[string]*told
}

// told is what was last said about a vessel.
type told struct {
	phase   estimator.Phase
	quality estimator.Quality
	ready   time.Time
	past    bool
	bread   breadTold
}

func newTimeline(w io.Writer, zone *time.Location) *timeline {
	return &timeline{w: w, zone: zone, seen: map[string]*told{}}
}

// line prints one line.
func (t *timeline) line(at time.Time, vessel, kind, text string) {
	fmt.Fprintf(t.w, "%s  %-5s %-10s %s\n", at.In(t.zone).Format("15:04"), vessel, kind, text)
}

// person prints what the invented household does.
func (t *timeline) person(at time.Time, what string) {
	t.line(at, "", "people", t.house().Text(what, at))
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
		t.line(e.Time, vessel, "phase", fmt.Sprintf("%s. %s", e.Phase, e.PhaseReason))
	}
	if e.Quality != s.quality {
		s.quality = e.Quality
		t.line(e.Time, vessel, "sight", fmt.Sprintf("%s. %s", e.Quality, e.QualityReason))
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
	if e.ReadyIsPast && !s.past {
		s.past = true
		t.line(e.Time, vessel, "forecast", fmt.Sprintf("at the mark since %s (8 in 10: %s to %s)", t.hm(w.Median), t.hm(w.From), t.hm(w.Until)))
		s.ready = w.Median
		return
	}
	if e.ReadyIsPast || moved < max(leastMoved, w.Until.Sub(w.From)/3) {
		return
	}
	s.ready = w.Median
	t.line(e.Time, vessel, "forecast", fmt.Sprintf("now %.0f %%; at the mark of %.0f %% between %s and %s (8 in 10), most likely %s",
		e.RisePercent, e.TargetPercent, t.hm(w.From), t.hm(w.Until), t.hm(w.Median)))
}

// house writes moments in the zone of the story.
func (t *timeline) house() say.House { return say.House{Zone: t.zone} }

// hm formats a time of day.
func (t *timeline) hm(x time.Time) string { return x.In(t.zone).Format("15:04") }
