package replay

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/timeline"
	"tidemark/estimator"
	"tidemark/sensor/record"
	"tidemark/web/chart"
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
	if math.IsNaN(x) || math.IsInf(x, 0) {
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

// printer shows where the vessel stands and what was raised.
type printer func(s bake.State, raised []alert.Alarm) error

// jsonPrinter writes JSON lines, one a minute and one at every warning.
func jsonPrinter(w io.Writer, zone *time.Location) printer {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return func(s bake.State, raised []alert.Alarm) error { return enc.Encode(newLine(s.Estimate, raised, zone)) }
}

// linePrinter writes lines that a person can read, as the page would tell it, when there
// is news.
func linePrinter(w io.Writer, words *text.Localizer) printer {
	t := timeline.New(w, words)
	return func(s bake.State, raised []alert.Alarm) error {
		for _, a := range raised {
			t.Alarm(s.At, a)
		}
		t.Glance(s)
		return t.Err()
	}
}

// checkChartFile says what is wrong with a chart's name before anything is
// replayed for it. Empty is no chart.
func checkChartFile(path string) error {
	if path == "" {
		return nil
	}
	switch filepath.Ext(path) {
	case ".svg", ".png":
	default:
		return fmt.Errorf("--chart %s: the name must end in .svg or .png", path)
	}
	dir := filepath.Dir(path)
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("--chart %s: there is no folder %s; make it first or name another", path, dir)
	}
	return nil
}

// writeChart draws a chart with what a record says was done into a file whose name
// checkChartFile has accepted.
func writeChart(path string, c chart.Chart, rows []record.Row) error {
	c.Width, c.Height = chart.WideWidth, chart.WideHeight
	folds := 0
	for _, row := range rows {
		word := row.Event
		if word == string(estimator.Fold) {
			folds++
			word = fmt.Sprintf("fold %d", folds)
		}
		if word != "" {
			c.Events = append(c.Events, chart.Event{Time: row.Time, Word: word})
		}
	}
	var buf bytes.Buffer
	var err error
	if filepath.Ext(path) == ".png" {
		err = chart.PNG(&buf, c)
	} else {
		err = chart.SVG(&buf, c, chart.Standalone)
	}
	if err != nil {
		return fmt.Errorf("the chart could not be drawn: %w", err)
	}
	if err := os.WriteFile(path, buf.Bytes(), 0o644); err != nil {
		return fmt.Errorf("the chart could not be written: %w", err)
	}
	return nil
}
