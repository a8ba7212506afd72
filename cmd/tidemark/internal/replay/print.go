package replay

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/estimator"
)

// line is one object of the JSON output. Percentages are of the start volume:
// 0 at the start, 100 when doubled. Null means not known.
type line struct {
	Time        string      `json:"time"`
	RisePercent *float64    `json:"rise_percent"`
	RiseSD      *float64    `json:"rise_sd"`
	Rate        *float64    `json:"rate_percent_per_hour"`
	ReadyAt     *string     `json:"ready_at"`
	ReadyFrom   *string     `json:"ready_from"`
	ReadyUntil  *string     `json:"ready_until"`
	GoodUntil   *string     `json:"good_until"` // growth ends then
	Phase       string      `json:"phase"`
	Quality     string      `json:"quality"`
	Alerts      []alertLine `json:"alerts"`
}

// alertLine is one newly raised alarm.
type alertLine struct {
	Kind   string `json:"kind"`
	Reason string `json:"reason,omitempty"`
	Text   string `json:"text"`
}

// newLine builds the object for an estimate; times are told in zone.
func newLine(e estimator.Estimate, raised []alert.Alarm, zone *time.Location) line {
	l := line{
		Time:        e.Time.In(zone).Format(time.RFC3339),
		RisePercent: number(e.RisePercent), RiseSD: number(e.RiseSD), Rate: number(e.RatePercentPerHour),
		ReadyAt: moment(e.Ready.Median, zone), ReadyFrom: moment(e.Ready.From, zone), ReadyUntil: moment(e.Ready.Until, zone),
		GoodUntil: moment(e.GoodUntil.Median, zone),
		Phase:     string(e.Phase), Quality: string(e.Quality),
		Alerts: []alertLine{},
	}
	for _, a := range raised {
		l.Alerts = append(l.Alerts, alertLine{string(a.Kind), a.Reason, a.Text})
	}
	return l
}

// number returns nil for a value that is not known, else it rounded to 0.001.
func number(x float64) *float64 {
	if !known(x) {
		return nil
	}
	x = math.Round(x*1000) / 1000
	return &x
}

// moment returns nil for a time that is not known.
func moment(t time.Time, zone *time.Location) *string {
	if t.IsZero() {
		return nil
	}
	s := t.In(zone).Format(time.RFC3339)
	return &s
}

// jsonPrinter writes JSON lines.
type jsonPrinter struct {
	enc  *json.Encoder
	zone *time.Location
}

func newJSONPrinter(w io.Writer, zone *time.Location) *jsonPrinter {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return &jsonPrinter{enc, zone}
}

// print writes one line.
func (p *jsonPrinter) print(e estimator.Estimate, raised []alert.Alarm) error {
	return p.enc.Encode(newLine(e, raised, p.zone))
}

// finish has nothing to add to JSON lines.
func (p *jsonPrinter) finish() error { return nil }

// tableEvery is how often a line is printed when nothing happens.
const tableEvery = 30 * time.Minute

// tablePrinter writes a table a person can read: a line every half hour, at
// every change of phase or quality and at every warning.
type tablePrinter struct {
	w       io.Writer
	zone    *time.Location
	last    time.Time
	phase   estimator.Phase
	quality estimator.Quality
	final   estimator.Estimate
}

func newTablePrinter(w io.Writer, zone *time.Location, vessel string) *tablePrinter {
	fmt.Fprintf(w, "Rise in %s\n\n%-16s  %6s  %8s  %-33s  %s\n", vessel, "time", "rise", "rate", "at the mark (8 in 10)", "what is happening")
	return &tablePrinter{w: w, zone: zone}
}

// print writes a line when there is news.
func (p *tablePrinter) print(e estimator.Estimate, raised []alert.Alarm) error {
	p.final = e
	changed := e.Phase != p.phase || e.Quality != p.quality
	if !changed && len(raised) == 0 && e.Time.Sub(p.last) < tableEvery {
		return nil
	}
	what := ""
	if e.Phase != p.phase {
		what = string(e.Phase) + reason(e.PhaseReason)
	} else if e.Quality != p.quality {
		what = "sight: " + string(e.Quality) + reason(strings.ReplaceAll(string(e.QualityReason), "_", " "))
	}
	p.last, p.phase, p.quality = e.Time, e.Phase, e.Quality
	_, err := fmt.Fprintf(p.w, "%-16s  %6s  %8s  %-33s  %s\n", p.clock(e.Time, "2006-01-02 15:04"),
		percent(e.RisePercent), rate(e.RatePercentPerHour), p.window(e), what)
	for _, a := range raised {
		fmt.Fprintf(p.w, "%-16s  %s: %s\n", p.clock(e.Time, "2006-01-02 15:04"), a.Title, a.Text)
	}
	return err
}

// reason puts words after a state.
func reason(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}

// clock formats a time in the record's zone.
func (p *tablePrinter) clock(t time.Time, layout string) string { return t.In(p.zone).Format(layout) }

// window formats when the mark is or was reached.
func (p *tablePrinter) window(e estimator.Estimate) string {
	if e.Ready.IsZero() {
		return "no forecast yet"
	}
	if e.ReadyIsPast {
		return "reached " + p.clock(e.Ready.Median, "15:04")
	}
	return fmt.Sprintf("%s to %s, most likely %s", p.clock(e.Ready.From, "15:04"), p.clock(e.Ready.Until, "15:04"), p.clock(e.Ready.Median, "15:04"))
}

// known reports whether a value can be told.
func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// percent formats a rise.
func percent(x float64) string {
	if !known(x) {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", x)
}

// rate formats a growth rate.
func rate(x float64) string {
	if !known(x) {
		return "-"
	}
	return fmt.Sprintf("%.0f %%/h", x)
}

// finish closes the table with one sentence.
func (p *tablePrinter) finish() error {
	e := p.final
	switch {
	case e.ReadyIsPast:
		fmt.Fprintf(p.w, "\nThe mark of %.0f %% was reached at %s. ", e.TargetPercent, p.clock(e.Ready.Median, "15:04"))
	default:
		fmt.Fprintf(p.w, "\nThe mark of %.0f %% was not reached in this record. ", e.TargetPercent)
	}
	_, err := fmt.Fprintf(p.w, "Highest rise %s. Readings not believed: %s.\n", percent(e.PeakPercent), rejected(e.Rejected))
	return err
}

// rejected lists the counts of readings that were not believed, by reason.
func rejected(counts map[string]int) string {
	var parts []string
	for _, reason := range slices.Sorted(maps.Keys(counts)) {
		if counts[reason] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[reason], reason))
		}
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}
