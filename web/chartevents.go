package web

import (
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/chart"
	"tidemark/web/glance"
)

// shortDetail is how much of a note a list shows, characters.
const shortDetail = 60

// short is the beginning of a long text, in one line.
func short(text string) string {
	r := []rune(strings.Join(strings.Fields(text), " "))
	if len(r) > shortDetail {
		return string(r[:shortDetail-1]) + "…"
	}
	return string(r)
}

// kindWord is the word for an event in a list of what was told.
func (s *Server) kindWord(kind bake.EventKind) string {
	if key := "told." + string(kind) + ".past"; s.words.Has("page." + key) {
		return s.say(key, nil)
	}
	return s.say("did."+string(kind), nil)
}

// byName says who told something; empty when not known.
func (s *Server) byName(by string) string {
	if by == "" {
		return ""
	}
	return s.say("by", text.Values{"name": by})
}

// chartEvents are what gets a tick in the chart: what was told, and steps that were
// done after the start without a word of their own.
func (s *Server) chartEvents(v Vessel) []chart.Event {
	var out []chart.Event
	for _, e := range v.Events {
		switch e.Kind {
		case bake.EventFold, bake.EventFridge, bake.EventCounter, bake.EventShaped, bake.EventBaked, bake.EventFed:
			out = append(out, chart.Event{Time: e.At, Word: s.say("tick."+string(e.Kind), nil)})
		}
	}
	for _, x := range v.Steps {
		at := x.Finished
		if x.State != bake.Done || !x.Hands || at.Before(v.Estimate.Started.Add(time.Minute)) {
			continue
		}
		if !slices.ContainsFunc(out, func(e chart.Event) bool { return at.Sub(e.Time).Abs() < time.Minute }) {
			word := glance.StepOf(x, s.words).Name
			if strings.HasPrefix(x.ID, "fold-") {
				word = s.say("tick.fold", nil)
			}
			out = append(out, chart.Event{Time: at, Word: word})
		}
	}
	return out
}
