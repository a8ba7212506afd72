package replay

import (
	"fmt"
	"io"
	"math"
	"time"

	"tidemark/alert"
	"tidemark/estimator"
)

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
		what = "sight: " + string(e.Quality) + reason(e.QualityReason)
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
