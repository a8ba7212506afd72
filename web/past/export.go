package past

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"tidemark/bake"
)

// CSVHeader is the first line of an export, with its line feed. The first five
// columns are those of a record that tidemark replay reads.
const CSVHeader = "time,distance_mm,dough_c,air_c,event,rise_percent,rise_sd,equivalent_hours,rejected\n"

// WriteCSV writes samples as CSV (RFC 4180, with line feeds): times as RFC 3339
// in the given zone, numbers as stored, an empty cell for what is missing.
func WriteCSV(w io.Writer, rows []bake.Recorded, zone *time.Location) error {
	c := csv.NewWriter(w)
	_ = c.Write(strings.Split(strings.TrimSpace(CSVHeader), ",")) // Error tells it below
	for _, r := range rows {
		_ = c.Write([]string{r.Time.In(zone).Format("2006-01-02T15:04:05.999Z07:00"), Cell(r.DistanceMM), Cell(r.DoughC), Cell(r.AirC),
			string(r.Event), Cell(r.RisePercent), Cell(r.RiseSD), Cell(r.EquivHours), harmless(r.Rejected)})
	}
	c.Flush()
	return c.Error()
}

// Cell writes a number as stored, to the thousandth, and nothing for NaN.
func Cell(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(math.Round(v*1000)/1000+0, 'f', -1, 64)
}

// harmless keeps a text that a table program would take for a formula from being one.
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Number is a float that JSON writes as null when it is not known.
type Number float64

// MarshalJSON writes to the thousandth, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	s := Cell(float64(n))
	if s == "" {
		return []byte("null"), nil
	}
	return []byte(s), nil
}

// UnmarshalJSON reads null as NaN.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	var v float64
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	*n = Number(v)
	return nil
}

// SampleJSON is one sample as the API and the JSON export show it.
type SampleJSON struct {
	Time            time.Time `json:"time"`
	DistanceMM      Number    `json:"distance_mm"`
	DoughC          Number    `json:"dough_c"`
	AirC            Number    `json:"air_c"`
	RisePercent     Number    `json:"rise_percent"`
	RiseSD          Number    `json:"rise_sd"`
	EquivalentHours Number    `json:"equivalent_hours"`
	Event           string    `json:"event,omitempty"`
	Rejected        string    `json:"rejected,omitempty"`
}

// Sample turns a stored row into its JSON form.
func Sample(r bake.Recorded, zone *time.Location) SampleJSON {
	return SampleJSON{r.Time.In(zone), Number(r.DistanceMM), Number(r.DoughC), Number(r.AirC), Number(r.RisePercent),
		Number(r.RiseSD), Number(r.EquivHours), string(r.Event), r.Rejected}
}

// RiseJSON is one rise as the API and the JSON export show it.
type RiseJSON struct {
	ID                     int64           `json:"id"`
	Vessel                 string          `json:"vessel"`
	Holds                  string          `json:"holds"`
	Demo                   bool            `json:"demo,omitempty"`
	Imported               bool            `json:"imported,omitempty"`
	StartedAt              time.Time       `json:"started_at"`
	EndedAt                *time.Time      `json:"ended_at"`
	ReachedAt              *time.Time      `json:"reached_at"`
	PeakAt                 *time.Time      `json:"peak_at"`
	BaselineL              Number          `json:"baseline_l"`
	TargetPercent          Number          `json:"target_percent"`
	PeakPercent            Number          `json:"peak_percent"`
	MeanDoughC             Number          `json:"mean_dough_c"`
	MaxRatePercentPerHour  Number          `json:"max_rate_percent_per_hour"`
	CeilingPercent         Number          `json:"ceiling_percent"`
	EquivalentHours        Number          `json:"equivalent_hours"`
	PeakEquivalentHours    Number          `json:"peak_equivalent_hours"`
	ReachedEquivalentHours Number          `json:"reached_equivalent_hours"`
	Phase                  string          `json:"phase"`
	Batch                  json.RawMessage `json:"batch,omitempty"`
	Outcome                string          `json:"outcome"`
	OvenSpring             string          `json:"oven_spring"`
	Note                   string          `json:"note"`
}

// Rise turns a stored rise into its JSON form.
func Rise(r bake.Rise, zone *time.Location) RiseJSON {
	out := RiseJSON{ID: r.ID, Vessel: r.Vessel, Holds: string(r.Holds), Demo: r.Demo, Imported: r.Imported, StartedAt: r.StartedAt.In(zone),
		EndedAt: moment(r.EndedAt, zone), ReachedAt: moment(r.ReachedAt, zone), PeakAt: moment(r.PeakAt, zone),
		BaselineL: unset(r.BaselineL), TargetPercent: unset(r.TargetPercent), PeakPercent: Number(r.PeakPercent), MeanDoughC: unset(r.MeanDoughC),
		MaxRatePercentPerHour: unset(r.MaxRate), CeilingPercent: unset(r.CeilingPercent), EquivalentHours: Number(r.EquivHours),
		PeakEquivalentHours: unset(r.PeakEquivHours), ReachedEquivalentHours: unset(r.ReachedEquivHours), Phase: string(r.Phase),
		Outcome: r.Outcome, OvenSpring: r.OvenSpring, Note: r.Note}
	if json.Valid(r.Batch) {
		out.Batch = r.Batch
	}
	return out
}

// unset takes the zero of a field that was never set for not known.
func unset(v float64) Number {
	if !known(v) {
		return Number(math.NaN())
	}
	return Number(v)
}

func moment(t time.Time, zone *time.Location) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.In(zone)
	return &t
}

// WriteJSON writes a rise with its samples as one JSON document.
func WriteJSON(w io.Writer, r bake.Rise, rows []bake.Recorded, zone *time.Location) error {
	b := bufio.NewWriter(w)
	head, err := json.Marshal(Rise(r, zone))
	if err != nil {
		return err
	}
	fmt.Fprintf(b, "{\"rise\":%s,\n\"samples\":[", head)
	sep := "\n"
	for _, row := range rows {
		line, err := json.Marshal(Sample(row, zone))
		if err != nil {
			return err
		}
		fmt.Fprintf(b, "%s%s", sep, line)
		sep = ",\n"
	}
	fmt.Fprint(b, "\n]}\n")
	return b.Flush()
}
