// Package record reads and writes recorded rises.
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
// Invariants: rows never run back in time (two rows may share a moment); memory
// does not grow with the length of the file. Every refusal is an *Error that
// names file, line and column. What Writer writes, Reader reads back to the
// digit.
//
// The package does not judge whether a distance makes sense for a vessel.
package record

import (
	"bufio"
	"bytes"
	"context"
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
// ExportHeader that of an exported rise, of which the columns of ShortHeader are read.
const (
	Header       = ShortHeader + ",value"
	ShortHeader  = "time,distance_mm,dough_c,air_c,event"
	ExportHeader = ShortHeader + ",rise_percent,rise_sd,equivalent_hours,rejected"
)

// Limits of a record.
const (
	mostSize = 1e6                 // of a number, in mm or Celsius; beyond is a typing error
	maxLine  = 4096                // bytes; a real line has about 60
	maxGap   = 31 * 24 * time.Hour // between two rows; a longer one is a clock that was set
	columns  = 6

	leastLook, mostLook = -90, 1000 // percent of the start volume
)

// Row is one line of a record.
type Row struct {
	Time       time.Time // with the zone as written
	DistanceMM float64   // sensor to surface, mm; NaN when missing
	DoughC     float64   // Celsius; NaN when missing
	AirC       float64   // Celsius; NaN when missing
	Event      string    // empty, or one of Events
	Value      float64   // with a look: the rise seen, percent of the start volume; else 0
	Line       int       // number of its line in the file, from 1
}

// Events returns what the event column may hold beside nothing.
func Events() []string { return []string{"start", "fold", "fridge", "counter", "end", look} }

// look is the event that has a value.
const look = "look"

// Error says where and why a record was refused.
type Error struct {
	File   string
	Line   int // from 1
	Column int // of the first byte at fault, from 1
	Msg    string
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Msg)
}

// maxRows is more than six days at a row a second: a rise takes hours.
const maxRows = 1 << 19

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
	return Read(ctx, f, name)
}

// Read reads a whole record. It refuses one without rows, with too many, or with one
// that cannot be read. The error names name, line and column.
func Read(ctx context.Context, r io.Reader, name string) (out []Row, err error) {
	rows, err := Open(r, name)
	if err != nil {
		return nil, err
	}
	for ctx.Err() == nil {
		row, err := rows.Next()
		switch {
		case errors.Is(err, io.EOF) && len(out) == 0:
			return nil, rows.errorf(1, "no rows after the header; expected at least one")
		case errors.Is(err, io.EOF):
			return out, nil
		case err == nil && len(out) == maxRows:
			err = rows.errorf(1, "more than %d rows; split the record", maxRows)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return nil, ctx.Err()
}

// Reader reads a record row by row. It is not for use by several goroutines.
type Reader struct {
	name    string
	in      *bufio.Scanner
	columns int  // of this record: 6, or 5 without looks
	export  bool // more columns follow, which are passed over
	line    int  // number of the line read last
	last    time.Time
	err     error // sticks once met
}

// Open starts reading a record and checks its header. name stands for the file
// in errors.
func Open(r io.Reader, name string) (*Reader, error) {
	rd := &Reader{name: name, in: bufio.NewScanner(r)}
	rd.in.Buffer(make([]byte, 0, maxLine), maxLine)
	line, err := rd.readLine()
	if errors.Is(err, io.EOF) {
		rd.line = 1
		return nil, rd.errorf(1, "the file is empty; expected the header %s", Header)
	}
	if err != nil {
		return nil, err
	}
	line = bytes.TrimPrefix(line, []byte("\ufeff")) // some spreadsheets put a byte order mark
	switch string(line) {
	case Header:
		rd.columns = columns
	case ShortHeader, ExportHeader:
		rd.columns, rd.export = columns-1, string(line) == ExportHeader
	default:
		same := 0
		for same < min(len(line), len(Header)) && line[same] == Header[same] {
			same++
		}
		return nil, rd.errorf(same+1, "header is %.80q; expected %s, or the same without value", line, Header)
	}
	return rd, nil
}

// Next returns the next row. It returns io.EOF after the last one, and an *Error
// for the first row that is wrong, or more than 31 days after the one before; from then
// on it returns the same.
func (rd *Reader) Next() (Row, error) {
	for rd.err == nil {
		var line []byte
		if line, rd.err = rd.readLine(); rd.err == nil && len(line) > 0 {
			var row Row
			row, rd.err = rd.parse(line)
			return row, rd.err
		}
	}
	return Row{}, rd.err
}

// readLine returns the next line without its end. The slice is valid until the
// next call.
func (rd *Reader) readLine() ([]byte, error) {
	if rd.in.Scan() {
		rd.line++
		return rd.in.Bytes(), nil
	}
	switch err := rd.in.Err(); {
	case err == nil:
		return nil, io.EOF
	case errors.Is(err, bufio.ErrTooLong):
		rd.line++
		return nil, rd.errorf(1, "the line is longer than %d bytes; expected %s", maxLine, Header)
	default:
		return nil, fmt.Errorf("%s: after line %d: %w", rd.name, rd.line, err)
	}
}

// parse takes one row apart.
func (rd *Reader) parse(line []byte) (Row, error) {
	var cells [columns]string
	var at [columns]int
	n, pos := 0, 0
	for cell := range bytes.SplitSeq(line, []byte(",")) {
		if n < rd.columns {
			cells[n], at[n] = unquote(cell), pos+1
		}
		n++
		pos += len(cell) + 1
	}
	row := Row{Line: rd.line}
	if n < rd.columns || n > rd.columns && !rd.export {
		return Row{}, rd.errorf(min(pos, len(line)+1), "%d cells; expected %d: %s", n, rd.columns, rd.header())
	}
	var err error
	if row.Time, err = time.Parse(time.RFC3339, cells[0]); err != nil {
		return Row{}, rd.errorf(at[0], "time is %.40q; expected RFC 3339 with a zone, like 2026-03-01T07:30:00+01:00", cells[0])
	}
	if row.Time.Before(rd.last) {
		return Row{}, rd.errorf(at[0], "time %s is before the row above (%s); rows must be in order of time", cells[0], rd.last.Format(time.RFC3339Nano))
	}
	if !rd.last.IsZero() && row.Time.Sub(rd.last) > maxGap {
		return Row{}, rd.errorf(at[0], "time %s is more than %d days after the row above (%s); if the clock was set in between, cut the rows before off",
			row.Time.Format(time.RFC3339), maxGap/(24*time.Hour), rd.last.Format(time.RFC3339))
	}
	rd.last = row.Time
	for i, v := range []*float64{&row.DistanceMM, &row.DoughC, &row.AirC} {
		if *v, err = rd.number(cells[i+1], at[i+1]); err != nil {
			return Row{}, err
		}
	}
	if row.Event = cells[4]; row.Event != "" && !slices.Contains(Events(), row.Event) {
		return Row{}, rd.errorf(at[4], "event is %.40q; expected nothing or one of %s", cells[4], strings.Join(Events(), ", "))
	}
	row.Value, err = rd.value(row.Event, cells[5], max(at[5], at[4]))
	return row, err
}

// header is the first line of this record.
func (rd *Reader) header() string {
	if rd.columns < columns {
		return ShortHeader
	}
	return Header
}

// value reads what goes with an event.
func (rd *Reader) value(event, cell string, at int) (float64, error) {
	if event != look {
		if cell != "" {
			return 0, rd.errorf(at, "value %.40q stands with event %q; expected it with the event look alone", cell, event)
		}
		return 0, nil
	}
	v, err := rd.number(cell, at)
	if err == nil && !lookable(v) {
		err = rd.errorf(at, "a look has the value %.40q; expected the rise that was seen in the column value, percent of the start volume, over %d and up to %d", cell, leastLook, mostLook)
	}
	return v, err
}

// lookable reports whether a rise in percent can have been seen.
func lookable(v float64) bool { return v > leastLook && v <= mostLook }

// unquote takes off blanks and the quotes that some programs put around every
// cell.
func unquote(cell []byte) string {
	cell = bytes.Trim(cell, " \t")
	if len(cell) >= 2 && cell[0] == '"' && cell[len(cell)-1] == '"' {
		cell = cell[1 : len(cell)-1]
	}
	return string(cell)
}

// number reads a number or a missing reading.
func (rd *Reader) number(cell string, at int) (float64, error) {
	if cell == "" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(cell, 64)
	switch {
	case strings.Trim(cell, "0123456789.-+eE") != "" || err != nil && !errors.Is(err, strconv.ErrRange):
		return 0, rd.errorf(at, "%.40q is not a number; expected digits with a point, or nothing for a missing reading", cell)
	case math.Abs(v) > mostSize:
		return 0, rd.errorf(at, "%.40q is not a number that can be measured; expected digits with a point, or nothing for a missing reading", cell)
	}
	return v, nil
}

// errorf returns an *Error for the line read last.
func (rd *Reader) errorf(column int, format string, args ...any) error {
	return &Error{rd.name, rd.line, column, fmt.Sprintf(format, args...)}
}

// Writer writes a record that Reader reads back to the digit. It is not for use
// by several goroutines.
type Writer struct {
	out  *bufio.Writer
	last time.Time
}

// NewWriter starts a record with its header. Errors show in Flush at the latest.
func NewWriter(w io.Writer) *Writer {
	out := bufio.NewWriter(w)
	_, _ = out.WriteString(Header + "\n") // shows in Flush
	return &Writer{out: out}
}

// Write adds a row. It refuses a time before the last row's, an unknown event and a
// look without a rise that can be seen: nothing is written then. A number that is not finite is a missing reading.
func (w *Writer) Write(r Row) error {
	switch {
	case r.Time.Before(w.last):
		return fmt.Errorf("record: row at %s is before the last one (%s); write rows in order of time",
			r.Time.Format(time.RFC3339Nano), w.last.Format(time.RFC3339Nano))
	case r.Event != "" && !slices.Contains(Events(), r.Event):
		return fmt.Errorf("record: event %q is not known; expected one of %v", r.Event, Events())
	case r.Event == look && !lookable(r.Value):
		return fmt.Errorf("record: a look saw a rise of %v; expected over %d and up to %d percent", r.Value, leastLook, mostLook)
	}
	w.last = r.Time
	b := r.Time.AppendFormat(w.out.AvailableBuffer(), time.RFC3339Nano)
	for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC} {
		b = appendNumber(append(b, ','), v)
	}
	b = append(append(append(b, ','), r.Event...), ',')
	if r.Event == look {
		b = appendNumber(b, r.Value)
	}
	_, err := w.out.Write(append(b, '\n'))
	return err
}

// appendNumber appends a number, or nothing for one that is none.
func appendNumber(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return b
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}

// Flush writes what is still held back and returns the first error met.
func (w *Writer) Flush() error { return w.out.Flush() }
