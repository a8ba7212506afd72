package say

import (
	"fmt"
	"math"
	"sort"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Deed is something done to the vessel, for the table and the chart.
type Deed struct {
	ID   int64
	At   time.Time
	Word string // "fold", "fridge", "start"
	By   string // who; empty when not known
}

// Row is one line of the table of events.
type Row struct {
	At      time.Time // for sorting and for machines
	When    string    // "18:15"
	Window  string    // "18:05 to 18:30", empty for a moment
	What    string    // "at the mark", "fold 2"
	Do      string    // what to do, a sentence; may be empty
	Caution string
	Ask     string // the question of a step
	Why     string // why it was skipped or moved
	StepID  string // step of the process; empty for the rest
	Past    bool
	Due     bool
	Near    bool // due, under way or among the next: worth its details at once
	Skipped bool
	DeedID  int64 // of a deed that can be undone; 0 otherwise

	underWay bool
}

// Table lists what was and what is to come, in order of time.
func Table(v Vessel, deeds []Deed, h House) []Row {
	var rows []Row
	for _, d := range deeds {
		rows = append(rows, Row{At: d.At, When: h.Moment(d.At, v.Now), What: d.Word, Past: true, DeedID: d.ID})
	}
	rows = append(rows, markRow(v, h)...)
	rows = append(rows, peakRow(v, h)...)
	for _, s := range append(h.Steps(careSteps(v, deeds), v.Now), v.Steps...) {
		if s.State == bake.Done && hasDeed(deeds, s) {
			continue
		}
		rows = append(rows, stepRow(v, s, h))
	}
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].At.Before(rows[j].At) })
	markNear(rows)
	return rows
}

// nearSteps is how many of the steps to come show their details at once.
const nearSteps = 2

// markNear marks the steps that are due or under way, and the next ones.
func markNear(rows []Row) {
	next := 0
	for i := range rows {
		r := &rows[i]
		if r.Past || r.StepID == "" {
			continue
		}
		r.Near = r.Due || r.underWay || next < nearSteps
		if !r.Due && !r.underWay {
			next++
		}
	}
}

// hasDeed reports whether a deed already stands for a finished step.
func hasDeed(deeds []Deed, s bake.Step) bool {
	for _, d := range deeds {
		if gap := d.At.Sub(s.Finished); gap > -time.Minute && gap < time.Minute {
			return true
		}
	}
	return false
}

// markRow is the line of the mark itself.
func markRow(v Vessel, h House) []Row {
	e := v.Estimate
	if e.Ready.IsZero() {
		return nil
	}
	r := Row{At: e.Ready.Median, When: h.Moment(e.Ready.Median, v.Now), What: "at the mark, " + Percent(e.TargetPercent)}
	if e.ReadyIsPast {
		r.Past = true
		return []Row{r}
	}
	r.Window = window(e.Ready.From, e.Ready.Until, v.Now, h)
	return []Row{r}
}

// window writes "18:05 to 18:30".
func window(from, until, now time.Time, h House) string {
	if from.IsZero() || until.IsZero() || until.Sub(from) < time.Minute {
		return ""
	}
	if h.daysApart(from, until) == 0 {
		return h.Moment(from, now) + " to " + h.Clock(until)
	}
	return h.Moment(from, now) + " to " + h.Moment(until, now)
}

// peakRow is the line of the highest level, once it is past.
func peakRow(v Vessel, h House) []Row {
	e := v.Estimate
	switch e.Phase {
	case estimator.Peak, estimator.Falling, estimator.Fallen, estimator.Hungry:
	default:
		return nil
	}
	if math.IsNaN(e.PeakPercent) || e.PeakAt.IsZero() {
		return nil
	}
	return []Row{{At: e.PeakAt, When: h.Moment(e.PeakAt, v.Now), What: "peak, " + Percent(e.PeakPercent), Past: true}}
}

// stepRow is the line of one step.
func stepRow(v Vessel, s bake.Step, h House) Row {
	r := Row{At: s.At, When: h.Moment(s.At, v.Now), Window: window(s.From, s.Until, v.Now, h), What: s.Name,
		Do: s.Do, Caution: s.Caution, Ask: s.Question, Why: s.Why, StepID: s.ID}
	switch s.State {
	case bake.Done, bake.Skipped:
		r.Past, r.Skipped = true, s.State == bake.Skipped
		r.Window, r.Do, r.Caution, r.Ask = "", "", "", ""
		if !r.Skipped {
			r.Why = "" // it is done; how it came to be is of no use any more
		}
		if !s.Finished.IsZero() {
			r.At, r.When = s.Finished, h.Moment(s.Finished, v.Now)
		}
	case bake.DueNow:
		r.Due = true
	case bake.Started:
		r.What, r.underWay = r.What+", under way", true
	}
	if s.At.IsZero() && r.At.IsZero() {
		r.When = "not known yet"
	}
	return r
}

// Why says the reason of the phase, for the reader who asks.
func Why(v Vessel, h House) string {
	e := v.Estimate
	if e.PhaseReason == "" {
		return ""
	}
	return fmt.Sprintf("%s%s: %s.", phaseWord(e.Phase), since(e.PhaseSince, v.Now, h), e.PhaseReason)
}

// phaseWord is a phase in words.
func phaseWord(p estimator.Phase) string {
	switch p {
	case estimator.Idle, "":
		return "Idle"
	case estimator.Settling:
		return "Settling"
	case estimator.Lag:
		return "Not yet rising"
	case estimator.Near:
		return "Near the mark"
	case estimator.Ready:
		return "At the mark"
	case estimator.Over:
		return "Past the mark"
	}
	s := []byte(p)
	s[0] -= 'a' - 'A'
	return string(s)
}

// PhaseWord is a phase in words, for lists.
func PhaseWord(p estimator.Phase) string { return phaseWord(p) }
