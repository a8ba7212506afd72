package record

import (
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// with puts the header of a record without looks before rows.
func with(rows ...string) string {
	return shortHeader + "\n" + strings.Join(rows, "\n") + "\n"
}

// withLooks puts the full header before rows.
func withLooks(rows ...string) string {
	return Header + "\n" + strings.Join(rows, "\n") + "\n"
}

// TestReads: with looks and without, an export of the history, quotes, carriage returns, a
// byte order mark and lines without anything.
func TestReads(t *testing.T) {
	for name, c := range map[string]struct{ in, want string }{
		"rows": {with("2026-03-01T07:30:00+01:00,182,24.5,23.1,start", "2026-03-01T07:30:01.5+01:00,181.25,,,", "", "2026-03-01T06:31:00Z,,,,fold", `"2026-03-01T06:31:00Z","180","24.4375","-3",""`),
			"2 06:30:00 182 24.5 23.1 start 0, 3 06:30:01.5 181.25 NaN NaN  0, 5 06:31:00 NaN NaN NaN fold 0, 6 06:31:00 180 24.4375 -3  0"},
		"looks": {withLooks("2026-03-01T07:30:00Z,182,24.5,23.1,start,", "2026-03-01T09:30:00Z,,,,look,55", "2026-03-01T09:31:00Z,150,,,look,0"),
			"2 07:30:00 182 24.5 23.1 start 0, 3 09:30:00 NaN NaN NaN look 55, 4 09:31:00 150 NaN NaN look 0"},
		"an export": {exportHeader + "\n" + `2026-03-01T07:30:00Z,182,24.5,23.1,start,0,1,0,"=far, ""jump"""` + "\n2026-03-01T07:31:00Z,181,,,,1,1,0,\n",
			"2 07:30:00 182 24.5 23.1 start 0, 3 07:31:00 181 NaN NaN  0"},
		"of another system": {"\ufeff" + strings.ReplaceAll(with("2026-03-01T07:30:00Z,182,,,"), "\n", "\r\n"), "2 07:30:00 182 NaN NaN  0"},
		"two at one moment": {with("2026-03-01T07:30:00Z,182,,,", "2026-03-01T07:30:00Z,181,,,"), "2 07:30:00 182 NaN NaN  0, 3 07:30:00 181 NaN NaN  0"},
	} {
		rows, err := read(t.Context(), strings.NewReader(c.in), "r.csv")
		require.NoError(t, err, name)
		var got []string
		for _, r := range rows {
			got = append(got, fmt.Sprint(r.Line, r.Time.UTC().Format(" 15:04:05.9 "), r.DistanceMM, " ", r.DoughC, " ", r.AirC, " "+r.Event+" ", r.Value))
		}
		assert.Equal(t, c.want, strings.Join(got, ", "), name)
	}
}

func TestRefusals(t *testing.T) {
	const ok = "2026-03-01T07:30:00Z,182,24,23,"
	for _, c := range []struct{ name, in, want string }{
		{"empty file", "", "r.csv:1:1: the file is empty; expected the header time,distance_mm,dough_c,air_c,event,value"},
		{"wrong header", "time,distance_cm,dough_c,air_c,event\n", `r.csv:1:15: header is "time,distance_cm,dough_c,air_c,event"; expected time,distance_mm,dough_c,air_c,event,value, or the same without value`},
		{"short header", "time,distance_mm\n", `r.csv:1:17: header is "time,distance_mm"; expected time,distance_mm,dough_c,air_c,event,value, or the same without value`},
		{"no rows", shortHeader + "\n", "r.csv:1:1: no rows after the header; expected at least one"},
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
		{"open quote", with(ok, `"2026-03-01T07:31:00Z,182,,,`), `r.csv:3:30: extraneous or missing " in quoted-field; write each row in one line, without quotes`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := read(t.Context(), strings.NewReader(c.in), "r.csv")
			require.EqualError(t, err, c.want)
			assert.IsType(t, &rowError{}, err)
		})
	}
}

func TestReadErrorIsPassedOn(t *testing.T) {
	broken := io.MultiReader(strings.NewReader(with("2026-03-01T07:30:00Z,1,,,")), errReader{})
	_, err := read(t.Context(), broken, "r.csv")
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

type errReader struct{}

func (errReader) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// FuzzRead reads anything: what is taken is in order of time and can be measured.
func FuzzRead(f *testing.F) {
	f.Add(with("2026-03-01T07:30:00+01:00,182,24.5,23.1,start", "2026-03-01T07:30:01+01:00,,,,"))
	f.Add("\ufeff" + with(`"2026-03-01T07:30:00Z","1e-3",,,`))
	f.Add(withLooks("2026-03-01T07:30:00Z,,,,look,55"))
	f.Add("time\n,,,,\n")
	f.Fuzz(func(t *testing.T, s string) {
		rows, err := read(t.Context(), strings.NewReader(s), "r.csv")
		if err == nil && len(rows) == 0 {
			t.Fatal("neither rows nor an error")
		}
		for i, r := range rows {
			if i > 0 && (r.Time.Before(rows[i-1].Time) || r.Line <= rows[i-1].Line) {
				t.Fatalf("row %d is before the one above", i)
			}
			for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC} {
				if math.Abs(v) > mostSize {
					t.Fatalf("%v cannot be measured", v)
				}
			}
			if r.Event != look && r.Value != 0 {
				t.Fatalf("%q with %v", r.Event, r.Value)
			}
		}
	})
}
