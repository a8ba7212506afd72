package web

import (
	"fmt"

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
		case ActTarget:
			out[i] = "mark changed"
		case ActStepDone:
			out[i] = "step done"
		case ActStepSkip:
			out[i] = "step left out"
		default:
			out[i] = string(d.Kind)
		}
		if d.Detail != "" && d.Kind != ActFold {
			out[i] += ": " + d.Detail
		}
	}
	return out
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

// chartEvents are the deeds that get a tick in the chart.
func chartEvents(deeds []Deed) []chart.Event {
	words := deedWords(deeds)
	var out []chart.Event
	for i, d := range deeds {
		switch d.Kind {
		case ActStart, ActFold, ActFridge, ActCounter, ActShaped, ActBaked, ActFed:
			out = append(out, chart.Event{Time: d.At, Word: words[i]})
		}
	}
	return out
}
