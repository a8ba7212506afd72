package history

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"tidemark/estimator"
)

// CSVHeader is the first line of WriteCSV. Units are in the names; equiv_hours is
// growth time at 24 C since the start.
const CSVHeader = "time,distance_mm,dough_c,air_c,rise_percent,rise_sd,equiv_hours,rejected,event"

// RecordHeader is the first line of WriteRecord: the record format that replay and
// import read.
const RecordHeader = "time,distance_mm,dough_c,air_c,event"

// WriteCSV writes all samples of a rise, as stored. Times carry the given zone.
func (s *Store) WriteCSV(ctx context.Context, w io.Writer, riseID int64, zone *time.Location) error {
	return s.writeRows(ctx, w, riseID, CSVHeader, func(b []byte, r Row) []byte {
		b = r.Time.In(zone).AppendFormat(b, time.RFC3339Nano)
		for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC, r.RisePercent, r.RiseSD, r.EquivHours} {
			b = appendCell(b, v)
		}
		b = append(append(b, ','), csvText(r.Rejected)...)
		return append(append(b, ','), string(r.Event)...)
	})
}

// WriteRecord writes the samples of a rise in the record format. The first row
// carries the start if it carries no other event.
func (s *Store) WriteRecord(ctx context.Context, w io.Writer, riseID int64, zone *time.Location) error {
	first := true
	return s.writeRows(ctx, w, riseID, RecordHeader, func(b []byte, r Row) []byte {
		if first && r.Event == estimator.NoEvent {
			r.Event = estimator.Start
		}
		first = false
		b = r.Time.In(zone).AppendFormat(b, time.RFC3339Nano)
		for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC} {
			b = appendCell(b, v)
		}
		return append(append(b, ','), string(r.Event)...)
	})
}

// writeRows writes a header and one line a sample.
func (s *Store) writeRows(ctx context.Context, w io.Writer, riseID int64, header string, line func([]byte, Row) []byte) error {
	if _, err := s.Rise(ctx, riseID); err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	out.WriteString(header + "\n") //nolint:errcheck // Flush returns it
	var b []byte
	for r, err := range s.Rows(ctx, riseID, time.Time{}, time.Time{}) {
		if err != nil {
			return err
		}
		b = append(line(b[:0], r), '\n')
		if _, err := out.Write(b); err != nil {
			return fmt.Errorf("write the samples: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write the samples: %w", err)
	}
	return nil
}

// appendCell adds a comma and a number; nothing when it is missing.
func appendCell(b []byte, v float64) []byte {
	b = append(b, ',')
	if math.IsNaN(v) {
		return b
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}

// csvText quotes a cell where needed (RFC 4180).
func csvText(s string) string {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// Number is a float whose NaN is null in JSON.
type Number float64

// MarshalJSON writes the number or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// RiseJSON is a rise as it is exported. Missing values are null or left out.
type RiseJSON struct {
	ID                int64           `json:"id"`
	Vessel            string          `json:"vessel"`
	Holds             string          `json:"holds"`
	StartedAt         time.Time       `json:"started_at"`
	EndedAt           *time.Time      `json:"ended_at"`
	BaselineL         Number          `json:"baseline_l"`
	TargetPercent     Number          `json:"target_percent"`
	ReachedAt         *time.Time      `json:"reached_at"`
	PeakPercent       Number          `json:"peak_percent"`
	PeakAt            *time.Time      `json:"peak_at"`
	MeanDoughC        Number          `json:"mean_dough_c"`
	MaxRate           Number          `json:"max_rate_percent_per_hour"`
	CeilingPercent    Number          `json:"ceiling_percent"`
	EquivHours        Number          `json:"equiv_hours"`
	PeakEquivHours    Number          `json:"peak_equiv_hours"`
	ReachedEquivHours Number          `json:"reached_equiv_hours"`
	Phase             string          `json:"phase"`
	Batch             json.RawMessage `json:"batch,omitempty"`
	Outcome           string          `json:"outcome"`
	OvenSpring        string          `json:"oven_spring"`
	Note              string          `json:"note"`
	Demo              bool            `json:"demo"`
	Imported          bool            `json:"imported"`
}

// ToJSON turns a rise into its exported form.
func ToJSON(r Rise) RiseJSON {
	moment := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		return &t
	}
	out := RiseJSON{ID: r.ID, Vessel: r.Vessel, Holds: string(r.Holds), StartedAt: r.StartedAt, EndedAt: moment(r.EndedAt),
		BaselineL: Number(r.BaselineL), TargetPercent: Number(r.TargetPercent), ReachedAt: moment(r.ReachedAt),
		PeakPercent: Number(r.PeakPercent), PeakAt: moment(r.PeakAt), MeanDoughC: Number(r.MeanDoughC),
		MaxRate: Number(r.MaxRate), CeilingPercent: Number(r.CeilingPct), EquivHours: Number(r.EquivHours),
		PeakEquivHours: Number(r.PeakEquivHours), ReachedEquivHours: Number(r.ReachedEquivHours), Phase: string(r.Phase),
		Outcome: r.Outcome, OvenSpring: r.OvenSpring, Note: r.Note, Demo: r.Demo, Imported: r.Imported}
	if json.Valid(r.Batch) {
		out.Batch = r.Batch
	}
	return out
}

// rowJSON is one sample in the export.
type rowJSON struct {
	Time        time.Time `json:"time"`
	DistanceMM  Number    `json:"distance_mm"`
	DoughC      Number    `json:"dough_c"`
	AirC        Number    `json:"air_c"`
	RisePercent Number    `json:"rise_percent"`
	RiseSD      Number    `json:"rise_sd"`
	EquivHours  Number    `json:"equiv_hours"`
	Rejected    string    `json:"rejected,omitempty"`
	Event       string    `json:"event,omitempty"`
}

// actJSON is one act in the export.
type actJSON struct {
	At     time.Time       `json:"at"`
	Kind   string          `json:"kind"`
	By     string          `json:"by"`
	Data   json.RawMessage `json:"data,omitempty"`
	Undone bool            `json:"undone,omitempty"`
}

// forecastJSON is one forecast in the export.
type forecastJSON struct {
	At             time.Time  `json:"at"`
	ReadyFrom      *time.Time `json:"ready_from"`
	ReadyAt        *time.Time `json:"ready_at"`
	ReadyUntil     *time.Time `json:"ready_until"`
	RisePercent    Number     `json:"rise_percent"`
	ReachChance    Number     `json:"reach_chance"`
	CeilingPercent Number     `json:"ceiling_percent"`
}

// WriteJSON writes a rise with its acts, forecasts and samples as one JSON object,
// sample by sample, so that its length costs no memory. Times are UTC.
func (s *Store) WriteJSON(ctx context.Context, w io.Writer, riseID int64) error {
	r, err := s.Rise(ctx, riseID)
	if err != nil {
		return err
	}
	acts, err := s.exportActs(ctx, riseID)
	if err != nil {
		return err
	}
	forecasts, err := s.exportForecasts(ctx, riseID)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	var failed error
	put := func(before string, v any, after string) {
		body, err := json.Marshal(v)
		failed = errors.Join(failed, err)
		out.WriteString(before) //nolint:errcheck // Flush returns it
		out.Write(body)         //nolint:errcheck // Flush returns it
		out.WriteString(after)  //nolint:errcheck // Flush returns it
	}
	put("{\"rise\":", ToJSON(r), ",\n")
	put("\"acts\":", acts, ",\n")
	put("\"forecasts\":", forecasts, ",\n\"samples\":[")
	separator := "\n"
	for row, err := range s.Rows(ctx, riseID, time.Time{}, time.Time{}) {
		if err != nil {
			return err
		}
		put(separator, rowJSON{row.Time, Number(row.DistanceMM), Number(row.DoughC), Number(row.AirC), Number(row.RisePercent),
			Number(row.RiseSD), Number(row.EquivHours), row.Rejected, string(row.Event)}, "")
		separator = ",\n"
	}
	out.WriteString("\n]}\n") //nolint:errcheck // Flush returns it
	return errors.Join(failed, out.Flush())
}

// exportActs are the acts of a rise in their exported form.
func (s *Store) exportActs(ctx context.Context, riseID int64) ([]actJSON, error) {
	acts, err := s.Acts(ctx, riseID)
	out := []actJSON{}
	for _, a := range acts {
		out = append(out, actJSON{a.At, a.Kind, a.By, a.Data, a.Undone})
	}
	return out, err
}

// exportForecasts are the forecasts of a rise in their exported form.
func (s *Store) exportForecasts(ctx context.Context, riseID int64) ([]forecastJSON, error) {
	forecasts, err := s.Forecasts(ctx, riseID)
	out := []forecastJSON{}
	for _, f := range forecasts {
		j := forecastJSON{At: f.At, RisePercent: Number(f.RisePercent), ReachChance: Number(f.ReachChance), CeilingPercent: Number(f.CeilingPercent)}
		if !f.Ready.IsZero() {
			j.ReadyFrom, j.ReadyAt, j.ReadyUntil = &f.Ready.From, &f.Ready.Median, &f.Ready.Until
		}
		out = append(out, j)
	}
	return out, err
}
