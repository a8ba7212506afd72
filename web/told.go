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

// valuesOf are the values of words about an event.
func valuesOf(e bake.Event) text.Values {
	v := text.Values{"note": short(e.Note), "percent": e.TargetPercent, "seen_percent": e.SeenPercent}
	if e.Kind == bake.EventLook {
		v["percent"] = e.SeenPercent
	}
	if e.DoughC != nil {
		v["dough_fine_c"] = *e.DoughC
	}
	if e.Away != nil {
		v["from"], v["until"] = e.Away.From, e.Away.Until
	}
	return v
}

// eventWord is an event in words.
func (s *Server) eventWord(e bake.Event, steps []bake.Step) string {
	v := valuesOf(e)
	v["step"] = e.StepID
	for _, x := range steps {
		if x.ID == e.StepID {
			v["step"] = glance.StepOf(x, s.words).Name
		}
	}
	if key := "page.told." + string(e.Kind); s.words.Has(key) {
		return s.words.At(e.At).Say(key, v)
	}
	return s.say("did."+string(e.Kind), nil)
}

// done says what was done.
func (s *Server) done(a request) string {
	l, v := s.now(), valuesOf(a.Event)
	v["span"] = a.Snooze
	if key := "page.said." + string(a.Kind); l.Has(key) {
		return l.Say(key, v)
	}
	word, at := s.say("did."+string(a.Kind), nil), a.At
	if at.IsZero() {
		at = s.opt.Now()
	}
	for _, x := range s.opt.Live.Snapshot().Vessels {
		if i := slices.IndexFunc(x.Steps, func(y bake.Step) bool { return y.ID == a.StepID }); i >= 0 && x.Vessel == a.Vessel {
			word = glance.TapLabel(x.Steps[i], l)
		}
	}
	return l.Say("page.said.did", text.Values{"what": word, "at": at})
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
		if key := "tick." + string(e.Kind); s.words.Has("page."+key) && e.Kind != bake.EventStart {
			out = append(out, chart.Event{Time: e.At, Word: s.say(key, nil)})
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
