package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/web/chart"
	"tidemark/web/say"
)

// deedWords are the deeds in words; folds are counted.
func deedWords(deeds []Deed) []string {
	out := make([]string, len(deeds))
	folds := 0
	for i, d := range deeds {
		switch d.Kind {
		case ActFold:
			folds++
			out[i] = fmt.Sprintf("fold %d", folds)
		default:
			out[i] = actWord(string(d.Kind))
		}
		if d.Detail != "" && d.Kind != ActFold {
			out[i] += ": " + short(d.Detail)
		}
	}
	return out
}

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

// actWord is the word for an act in a list of what was done.
func actWord(kind string) string {
	switch ActKind(kind) {
	case ActStepDone:
		return "done"
	case ActStepSkip:
		return "left out"
	case ActJudgement:
		return "result"
	case ActTarget:
		return "mark changed"
	case ActCounter:
		return "back on the counter"
	case ActFridge:
		return "into the fridge"
	}
	return kind
}

// sayDeeds hands the deeds to the table.
func sayDeeds(deeds []Deed) []say.Deed {
	words := deedWords(deeds)
	var out []say.Deed
	for i, d := range deeds {
		if d.shown() {
			out = append(out, say.Deed{ID: d.ID, At: d.At, Word: words[i], By: d.By})
		}
	}
	return out
}

// shown reports whether a deed belongs into the table.
func (d Deed) shown() bool { return d.Kind != ActAck && d.Kind != ActSnooze }

// chartEvents are what gets a tick in the chart: deeds, and steps that were done
// after the start without a deed of their own.
func chartEvents(v Vessel) []chart.Event {
	words := deedWords(v.Deeds)
	var out []chart.Event
	for i, d := range v.Deeds {
		switch d.Kind {
		case ActStart, ActFold, ActFridge, ActCounter, ActShaped, ActBaked, ActFed:
			out = append(out, chart.Event{Time: d.At, Word: words[i]})
		}
	}
	for _, s := range v.Steps {
		at := s.Finished
		if s.State != bake.Done || at.Before(v.Estimate.Started.Add(time.Minute)) {
			continue
		}
		if !slices.ContainsFunc(out, func(e chart.Event) bool { return at.Sub(e.Time).Abs() < time.Minute }) {
			out = append(out, chart.Event{Time: at, Word: s.Name})
		}
	}
	return out
}
