// Package record reads recorded rises.
//
// A record is a text file of comma-separated values with the header
//
//	time,distance_mm,dough_c,air_c,event,value
//
// Units: time is RFC 3339 with its zone; distance_mm is millimetres from the
// sensor to the surface; dough_c and air_c are degrees Celsius. An empty cell is
// a missing reading. event is empty or one of start, fold, fridge, counter, end,
// look. A row may carry an event alone. value goes with a look and with nothing
// else: the rise that a person saw, percent of the start volume, over -90 and up to
// 1000. The last column may be left out of the whole record.
//
// Invariants: rows never run back in time (two rows may share a moment). Every refusal
// is an *Error that names file, line and column.
//
// The package does not judge whether a distance makes sense for a vessel.
package record

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Header is the first line of a record, ShortHeader that of one without looks, and
// exportHeader that of an exported rise, of which the columns of ShortHeader are read.
const (
	Header       = shortHeader + ",value"
	shortHeader  = "time,distance_mm,dough_c,air_c,event"
	exportHeader = shortHeader + ",rise_percent,rise_sd,equivalent_hours,rejected"
)

// Limits of a record.
const (
	mostSize  = 1e6                 // of a number, in mm or Celsius; beyond is a typing error
	mostBytes = 64 << 20            // a row has about 60
	mostRows  = 1 << 19             // more than six days at a row a second: a rise takes hours
	maxGap    = 31 * 24 * time.Hour // between two rows; a longer one is a clock that was set

	leastLook, mostLook = -90, 1000 // percent of the start volume
)

// Row is one line of a record.
type Row struct {
	Time       time.Time // with the zone as written
	DistanceMM float64   // sensor to surface, mm; NaN when missing
	DoughC     float64   // Celsius; NaN when missing
	AirC       float64   // Celsius; NaN when missing
	Event      string    // empty, or one of start, fold, fridge, counter, end, look
	Value      float64   // with a look: the rise seen, percent of the start volume; else 0
	Line       int       // number of its line in the file, from 1
}

// look is the event that has a value.
const look = "look"

// events returns what the event column may hold beside nothing.
func events() []string { return []string{"start", "fold", "fridge", "counter", "end", look} }

// rowError says where and why a record was refused.
type rowError struct {
	File   string
	Line   int // from 1
	Column int // of the first byte at fault, from 1
	Msg    string
}

func (e *rowError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Msg)
}

// ReadFile reads the whole record in a file. name stands for the file in errors.
func ReadFile(ctx context.Context, path, name string) ([]Row, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(err, fmt.Errorf("%s is not a plain file; name a .csv file", name))
	}
	return read(ctx, f, name)
}

// reader is a record that is being read.
type reader struct {
	*csv.Reader
	name   string
	header string   // that its rows follow
	cells  []string // of the row read last
	err    error    // the first
}

// read reads a whole record. It refuses one without rows, with too many, or with one
// that cannot be read. name stands for the file in errors.
func read(ctx context.Context, r io.Reader, name string) (out []Row, err error) {
	rd := &reader{Reader: csv.NewReader(io.LimitReader(r, mostBytes)), name: name}
	rd.FieldsPerRecord, rd.TrimLeadingSpace, rd.ReuseRecord = -1, true, true
	var last time.Time
	for rd.begin(); rd.err == nil && ctx.Err() == nil; {
		if !rd.next() {
			break
		}
		row := rd.row(last)
		if out = append(out, row); len(out) > mostRows {
			rd.fail(0, "more than %d rows; split the record", mostRows)
		}
		last = row.Time
	}
	switch {
	case rd.err == nil && rd.InputOffset() >= mostBytes:
		rd.fail(0, "more than %d bytes; split the record", mostBytes)
	case rd.err == nil && len(out) == 0 && ctx.Err() == nil:
		rd.fail(0, "no rows after the header; expected at least one")
	}
	if err := cmp.Or(rd.err, ctx.Err()); err != nil {
		return nil, err
	}
	return out, nil
}

// fail keeps what is wrong with a cell of the row read last, unless something was before.
func (rd *reader) fail(cell int, format string, args ...any) {
	if rd.err == nil {
		line, column := rd.FieldPos(cell)
		rd.err = &rowError{rd.name, line, column, fmt.Sprintf(format, args...)}
	}
}

// next reads the cells of the next line that is not empty; false is the end, or an error.
func (rd *reader) next() bool {
	cells, err := rd.Read()
	var wrong *csv.ParseError
	switch {
	case errors.As(err, &wrong):
		rd.err = &rowError{rd.name, wrong.Line, wrong.Column, fmt.Sprintf("%v; write each row in one line, without quotes", wrong.Err)}
	case err != nil && !errors.Is(err, io.EOF):
		rd.err = fmt.Errorf("%s: %w", rd.name, err)
	}
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	rd.cells = cells
	return err == nil
}

// begin reads the header.
func (rd *reader) begin() {
	if !rd.next() {
		rd.err = cmp.Or[error](rd.err, &rowError{rd.name, 1, 1, "the file is empty; expected the header " + Header})
		return
	}
	found := strings.TrimPrefix(strings.Join(rd.cells, ","), "\ufeff") // some spreadsheets put a byte order mark
	switch found {
	case Header, shortHeader, exportHeader:
		rd.header = found
		return
	}
	same := 0
	for same < min(len(found), len(Header)) && found[same] == Header[same] {
		same++
	}
	rd.err = &rowError{rd.name, 1, same + 1, fmt.Sprintf("header is %.80q; expected %s, or the same without value", found, Header)}
}

// row takes the row read last apart; last is the moment of the one above.
func (rd *reader) row(last time.Time) (row Row) {
	header, n := rd.header, len(rd.cells)
	if header == exportHeader {
		header, n = shortHeader, min(n, 5) // the columns after it are passed over
	}
	var at int
	if row.Line, at = rd.FieldPos(len(rd.cells) - 1); n != strings.Count(header, ",")+1 {
		rd.err = &rowError{rd.name, row.Line, at + len(rd.cells[len(rd.cells)-1]), fmt.Sprintf("%d cells; expected %d: %s", n, strings.Count(header, ",")+1, header)}
		return row
	}
	row.Time = rd.time(last)
	row.DistanceMM, row.DoughC, row.AirC = rd.number(1), rd.number(2), rd.number(3)
	if row.Event = rd.cells[4]; row.Event != "" && !slices.Contains(events(), row.Event) {
		rd.fail(4, "event is %.40q; expected nothing or one of %s", row.Event, strings.Join(events(), ", "))
	}
	seen, cell := 4, "" // the column of what was seen, if there is one
	if header == Header {
		seen, cell = 5, rd.cells[5]
	}
	switch {
	case row.Event == look && cell != "":
		row.Value = rd.number(seen)
		fallthrough
	case row.Event == look:
		if cell == "" || !(row.Value > leastLook && row.Value <= mostLook) {
			rd.fail(seen, "a look has the value %.40q; expected the rise that was seen in the column value, percent of the start volume, over %d and up to %d", cell, leastLook, mostLook)
		}
	case cell != "":
		rd.fail(seen, "value %.40q stands with event %q; expected it with the event look alone", cell, row.Event)
	}
	return row
}

// time reads the moment of a row.
func (rd *reader) time(last time.Time) time.Time {
	t, err := time.Parse(time.RFC3339, rd.cells[0])
	switch {
	case err != nil:
		rd.fail(0, "time is %.40q; expected RFC 3339 with a zone, like 2026-03-01T07:30:00+01:00", rd.cells[0])
	case t.Before(last):
		rd.fail(0, "time %s is before the row above (%s); rows must be in order of time", rd.cells[0], last.Format(time.RFC3339Nano))
	case !last.IsZero() && t.Sub(last) > maxGap:
		rd.fail(0, "time %s is more than %d days after the row above (%s); if the clock was set in between, cut the rows before off",
			t.Format(time.RFC3339), maxGap/(24*time.Hour), last.Format(time.RFC3339))
	}
	return t
}

// number reads a number, or NaN for a missing reading.
func (rd *reader) number(i int) float64 {
	cell := rd.cells[i]
	if cell == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(cell, 64)
	switch {
	case strings.Trim(cell, "0123456789.-+eE") != "" || err != nil && !errors.Is(err, strconv.ErrRange):
		rd.fail(i, "%.40q is not a number; expected digits with a point, or nothing for a missing reading", cell)
	case math.Abs(v) > mostSize:
		rd.fail(i, "%.40q is not a number that can be measured; expected digits with a point, or nothing for a missing reading", cell)
	}
	return v
}
