package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/sensor/record"
)

// with puts the header of a record without looks before rows.
func with(rows ...string) string {
	return record.ShortHeader + "\n" + strings.Join(rows, "\n") + "\n"
}

// withLooks puts the full header before rows.
func withLooks(rows ...string) string {
	return record.Header + "\n" + strings.Join(rows, "\n") + "\n"
}

// all reads every row.
func all(t *testing.T, s string) []record.Row {
	t.Helper()
	rd, err := record.Open(strings.NewReader(s), "r.csv")
	require.NoError(t, err)
	var rows []record.Row
	for {
		row, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return rows
		}
		require.NoError(t, err)
		rows = append(rows, row)
	}
}

func TestReadsRows(t *testing.T) {
	rows := all(t, with(
		"2026-03-01T07:30:00+01:00,182,24.5,23.1,start",
		"2026-03-01T07:30:01.5+01:00,181.25,,,",
		"",
		"2026-03-01T06:31:00Z,,,,fold",
		`"2026-03-01T06:31:00Z","180","24.4375","-3",""`,
	))
	require.Len(t, rows, 4)
	assert.Equal(t, 182.0, rows[0].DistanceMM)
	assert.Equal(t, "start", rows[0].Event)
	assert.Equal(t, 2, rows[0].Line)
	assert.Equal(t, 1500*time.Millisecond, rows[1].Time.Sub(rows[0].Time))
	assert.True(t, math.IsNaN(rows[1].DoughC))
	assert.Equal(t, 5, rows[2].Line)
	assert.Equal(t, -3.0, rows[3].AirC)
}

func TestReadsLooks(t *testing.T) {
	rows := all(t, withLooks(
		"2026-03-01T07:30:00Z,182,24.5,23.1,start,",
		"2026-03-01T09:30:00Z,,,,look,55",
		"2026-03-01T09:31:00Z,150,,,look,0",
	))
	require.Len(t, rows, 3)
	assert.Equal(t, "look", rows[1].Event)
	assert.Equal(t, 55.0, rows[1].Value)
	assert.Equal(t, "look", rows[2].Event)
	assert.Zero(t, rows[2].Value, "a dough that has not risen yet is a look too")
}

func TestReadsAnExport(t *testing.T) {
	rows := all(t, record.ExportHeader+"\n"+`2026-03-01T07:30:00Z,182,24.5,23.1,start,0,1,0,"=far, ""jump"""`+"\n2026-03-01T07:31:00Z,181,,,,1,1,0,\n")
	require.Len(t, rows, 2)
	assert.Equal(t, "start", rows[0].Event)
	assert.Equal(t, 181.0, rows[1].DistanceMM)
}

func TestAcceptsCarriageReturnsAndByteOrderMark(t *testing.T) {
	rows := all(t, "\ufeff"+strings.ReplaceAll(with("2026-03-01T07:30:00Z,182,,,"), "\n", "\r\n"))
	require.Len(t, rows, 1)
	assert.Equal(t, 182.0, rows[0].DistanceMM)
}

func TestRefusals(t *testing.T) {
	const ok = "2026-03-01T07:30:00Z,182,24,23,"
	for _, c := range []struct{ name, in, want string }{
		{"empty file", "", "r.csv:1:1: the file is empty; expected the header time,distance_mm,dough_c,air_c,event,value"},
		{"wrong header", "time,distance_cm,dough_c,air_c,event\n", `r.csv:1:15: header is "time,distance_cm,dough_c,air_c,event"; expected time,distance_mm,dough_c,air_c,event,value, or the same without value`},
		{"short header", "time,distance_mm\n", `r.csv:1:17: header is "time,distance_mm"; expected time,distance_mm,dough_c,air_c,event,value, or the same without value`},
		{"no rows", record.ShortHeader + "\n", "r.csv:1:1: no rows after the header; expected at least one"},
		{"out of order", with(ok, "2026-03-01T07:29:59Z,182,,,"), "r.csv:3:1: time 2026-03-01T07:29:59Z is before the row above (2026-03-01T07:30:00Z); rows must be in order of time"},
		{"out of order by zone", with(ok, "2026-03-01T08:00:00+01:00,182,,,"), "r.csv:3:1: time 2026-03-01T08:00:00+01:00 is before the row above (2026-03-01T07:30:00Z); rows must be in order of time"},
		{"no zone", with("2026-03-01T07:30:00,182,,,"), `r.csv:2:1: time is "2026-03-01T07:30:00"; expected RFC 3339 with a zone, like 2026-03-01T07:30:00+01:00`},
		{"no time", with(",182,,,"), `r.csv:2:1: time is ""; expected RFC 3339 with a zone, like 2026-03-01T07:30:00+01:00`},
		{"bad number", with("2026-03-01T07:30:00Z,18x2,,,"), `r.csv:2:22: "18x2" is not a number; expected digits with a point, or nothing for a missing reading`},
		{"decimal comma", with(`2026-03-01T07:30:00Z,182,24,5,23,`), "r.csv:2:34: 6 cells; expected 5: time,distance_mm,dough_c,air_c,event"},
		{"NaN", with("2026-03-01T07:30:00Z,NaN,,,"), `r.csv:2:22: "NaN" is not a number; expected digits with a point, or nothing for a missing reading`},
		{"infinity", with("2026-03-01T07:30:00Z,182,Inf,,"), `r.csv:2:26: "Inf" is not a number; expected digits with a point, or nothing for a missing reading`},
		{"overflow", with("2026-03-01T07:30:00Z,1e999,,,"), `r.csv:2:22: "1e999" is not a number that can be measured; expected digits with a point, or nothing for a missing reading`},
		{"absurd", with("2026-03-01T07:30:00Z,182,,2e6,"), `r.csv:2:27: "2e6" is not a number that can be measured; expected digits with a point, or nothing for a missing reading`},
		{"unknown event", with("2026-03-01T07:30:00Z,182,,,bake"), `r.csv:2:28: event is "bake"; expected nothing or one of start, fold, fridge, counter, end, look`},
		{"look without a column for it", with("2026-03-01T07:30:00Z,182,,,look"), `r.csv:2:28: a look has the value ""; expected the rise that was seen in the column value, percent of the start volume, over -90 and up to 1000`},
		{"look without a value", withLooks("2026-03-01T07:30:00Z,182,,,look,"), `r.csv:2:33: a look has the value ""; expected the rise that was seen in the column value, percent of the start volume, over -90 and up to 1000`},
		{"look below the floor", withLooks("2026-03-01T07:30:00Z,182,,,look,-90"), `r.csv:2:33: a look has the value "-90"; expected the rise that was seen in the column value, percent of the start volume, over -90 and up to 1000`},
		{"look that is no number", withLooks("2026-03-01T07:30:00Z,182,,,look,half"), `r.csv:2:33: "half" is not a number; expected digits with a point, or nothing for a missing reading`},
		{"value without a look", withLooks("2026-03-01T07:30:00Z,182,,,fold,50"), `r.csv:2:33: value "50" stands with event "fold"; expected it with the event look alone`},
		{"five cells of six", withLooks("2026-03-01T07:30:00Z,182,,,"), "r.csv:2:28: 5 cells; expected 6: time,distance_mm,dough_c,air_c,event,value"},
		{"too few cells", with("2026-03-01T07:30:00Z,182,24"), "r.csv:2:28: 3 cells; expected 5: time,distance_mm,dough_c,air_c,event"},
		{"clock set in between", with(ok, "2026-05-01T07:30:00Z,182,,,"), "r.csv:3:1: time 2026-05-01T07:30:00Z is more than 31 days after the row above (2026-03-01T07:30:00Z); if the clock was set in between, cut the rows before off"},
		{"long line", with(strings.Repeat("9", 5000)), "r.csv:2:1: the line is longer than 4096 bytes; expected time,distance_mm,dough_c,air_c,event,value"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := record.Read(t.Context(), strings.NewReader(c.in), "r.csv")
			require.EqualError(t, err, c.want)
			var e *record.Error
			assert.ErrorAs(t, err, &e)
		})
	}
	_, err := record.Read(t.Context(), strings.NewReader(with(ok, ok)), "r.csv")
	assert.NoError(t, err, "two rows may share a moment")
}

func TestReadErrorIsPassedOn(t *testing.T) {
	broken := io.MultiReader(strings.NewReader(with("2026-03-01T07:30:00Z,1,,,")), errReader{})
	_, err := record.Read(t.Context(), broken, "r.csv")
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

type errReader struct{}

func (errReader) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// TestWriterAgreesToTheDigit writes any rows and reads the same back.
func TestWriterAgreesToTheDigit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		at := time.Date(2026, 3, 1, 7, 30, 0, 0, time.FixedZone("", 60*rapid.IntRange(-840, 840).Draw(rt, "zone")))
		var want []record.Row
		var buf bytes.Buffer
		w := record.NewWriter(&buf)
		for i := range rapid.IntRange(1, 20).Draw(rt, "rows") {
			at = at.Add(time.Duration(rapid.Int64Range(0, 1e12).Draw(rt, "step")))
			row := record.Row{Time: at, DistanceMM: cell(rt), DoughC: cell(rt), AirC: cell(rt), Line: i + 2,
				Event: rapid.SampledFrom(append(record.Events(), "")).Draw(rt, "event")}
			if row.Event == "look" {
				row.Value = rapid.Float64Range(-89, 1000).Draw(rt, "seen")
			}
			require.NoError(rt, w.Write(row))
			want = append(want, row)
		}
		require.NoError(rt, w.Flush())
		rd, err := record.Open(&buf, "r.csv")
		require.NoError(rt, err)
		for _, row := range want {
			got, err := rd.Next()
			require.NoError(rt, err)
			assert.Equal(rt, line(row), line(got))
		}
	})
}

// line is a row in full, with NaN comparable.
func line(r record.Row) string {
	return fmt.Sprint(r.Time.Format(time.RFC3339Nano), r.DistanceMM, r.DoughC, r.AirC, r.Event, r.Value, r.Line)
}

// cell draws a number or a missing one.
func cell(rt *rapid.T) float64 {
	if rapid.Bool().Draw(rt, "missing") {
		return math.NaN()
	}
	return rapid.Float64Range(-1e6, 1e6).Draw(rt, "value")
}

func TestWriterRefuses(t *testing.T) {
	at := time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)
	nan := math.NaN()
	for name, row := range map[string]record.Row{
		"back in time": {Time: at.Add(-time.Second), DistanceMM: nan, DoughC: nan, AirC: nan},
		"event":        {Time: at, DistanceMM: nan, DoughC: nan, AirC: nan, Event: "bake"},
		"look":         {Time: at, DistanceMM: nan, DoughC: nan, AirC: nan, Event: "look", Value: -95},
	} {
		t.Run(name, func(t *testing.T) {
			var buf bytes.Buffer
			w := record.NewWriter(&buf)
			require.NoError(t, w.Write(record.Row{Time: at, DistanceMM: 1, DoughC: nan, AirC: nan}))
			assert.Error(t, w.Write(row))
			require.NoError(t, w.Flush())
			assert.Equal(t, withLooks("2026-03-01T07:30:00Z,1,,,,"), buf.String())
		})
	}
}

func FuzzRead(f *testing.F) {
	f.Add(with("2026-03-01T07:30:00+01:00,182,24.5,23.1,start", "2026-03-01T07:30:01+01:00,,,,"))
	f.Add("\ufeff" + with(`"2026-03-01T07:30:00Z","1e-3",,,`))
	f.Add(withLooks("2026-03-01T07:30:00Z,,,,look,55"))
	f.Add("time\n,,,,\n")
	f.Fuzz(func(t *testing.T, s string) {
		rd, err := record.Open(strings.NewReader(s), "r.csv")
		if err != nil {
			return
		}
		var buf bytes.Buffer
		w := record.NewWriter(&buf)
		var first, second []string
		for {
			row, err := rd.Next()
			if err != nil {
				break
			}
			if w.Write(row) != nil {
				return // a zone or year that cannot be written
			}
			row.Line = 0
			first = append(first, line(row))
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		again, err := record.Open(&buf, "r.csv")
		if err != nil {
			t.Fatal(err)
		}
		for {
			row, err := again.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("what was written is refused: %v", err)
			}
			row.Line = 0
			second = append(second, line(row))
		}
		if strings.Join(first, "\n") != strings.Join(second, "\n") {
			t.Fatalf("read %q, after writing %q", first, second)
		}
	})
}
