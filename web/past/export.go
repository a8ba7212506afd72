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

// Sample is a stored row as the API and the JSON export show it.
func Sample(r bake.Recorded, zone *time.Location) any {
	out := map[string]any{"time": r.Time.In(zone), "distance_mm": Number(r.DistanceMM), "dough_c": Number(r.DoughC), "air_c": Number(r.AirC),
		"rise_percent": Number(r.RisePercent), "rise_sd": Number(r.RiseSD), "equivalent_hours": Number(r.EquivHours)}
	if r.Event != "" {
		out["event"] = r.Event
	}
	if r.Rejected != "" {
		out["rejected"] = r.Rejected
	}
	return out
}

// Rise is a stored rise as the API and the JSON export show it.
func Rise(r bake.Rise, zone *time.Location) any {
	out := map[string]any{"id": r.ID, "vessel": r.Vessel, "holds": r.Holds, "started_at": r.StartedAt, "ended_at": r.EndedAt, "reached_at": r.ReachedAt, "peak_at": r.PeakAt,
		"baseline_l": Unset(r.BaselineL), "target_percent": Unset(r.TargetPercent), "peak_percent": Number(r.PeakPercent), "mean_dough_c": Unset(r.MeanDoughC),
		"max_rate_percent_per_hour": Unset(r.MaxRate), "ceiling_percent": Unset(r.CeilingPercent), "equivalent_hours": Number(r.EquivHours),
		"peak_equivalent_hours": Unset(r.PeakEquivHours), "reached_equivalent_hours": Unset(r.ReachedEquivHours), "phase": r.Phase,
		"outcome": r.Outcome, "oven_spring": r.OvenSpring, "note": r.Note}
	if r.Demo {
		out["demo"] = true
	}
	if r.Imported {
		out["imported"] = true
	}
	if json.Valid(r.Batch) {
		out["batch"] = r.Batch
	}
	return bake.Form(out, zone, nil)
}

// Unset takes the zero of a number that was never set for not known.
func Unset(v float64) Number { return Number(set(v)) }

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
