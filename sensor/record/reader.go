package record

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// maxLine is the longest line that is taken, in bytes. A real one has about 60.
const maxLine = 4096

// columns is the number of cells in a row.
const columns = 5

// Reader reads a record row by row. It is not for use by several goroutines.
type Reader struct {
	name string
	in   *bufio.Reader
	line int // number of the line read last
	last time.Time
	err  error // sticks once met
}

// Open starts reading a record and checks its header. name stands for the file
// in errors.
func Open(r io.Reader, name string) (*Reader, error) {
	rd := &Reader{name: name, in: bufio.NewReaderSize(r, maxLine)}
	line, err := rd.readLine()
	if errors.Is(err, io.EOF) {
		rd.line = 1
		return nil, rd.errorf(1, "the file is empty; expected the header %s", Header)
	}
	if err != nil {
		return nil, err
	}
	line = bytes.TrimPrefix(line, []byte("\ufeff")) // some spreadsheets put a byte order mark
	if string(line) != Header {
		return nil, rd.errorf(firstDifference(line), "header is %.80q; expected %s", line, Header)
	}
	return rd, nil
}

// firstDifference is the column where a line stops being the header.
func firstDifference(line []byte) int {
	for i := range min(len(line), len(Header)) {
		if line[i] != Header[i] {
			return i + 1
		}
	}
	return min(len(line), len(Header)) + 1
}

// Next gives the next row. It returns io.EOF after the last one, and an *Error
// for the first row that is wrong; from then on it returns the same.
func (rd *Reader) Next() (Row, error) {
	if rd.err != nil {
		return Row{}, rd.err
	}
	row, err := rd.next()
	rd.err = err
	return row, err
}

// next reads past empty lines and takes one row.
func (rd *Reader) next() (Row, error) {
	for {
		line, err := rd.readLine()
		if err != nil {
			return Row{}, err
		}
		if len(line) > 0 {
			return rd.parse(line)
		}
	}
}

// readLine gives the next line without its end. The slice is valid until the
// next call.
func (rd *Reader) readLine() ([]byte, error) {
	line, err := rd.in.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		rd.line++
		return nil, rd.errorf(1, "the line is longer than %d bytes; expected %s", maxLine, Header)
	}
	if errors.Is(err, io.EOF) && len(line) == 0 {
		return nil, io.EOF
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: after line %d: %w", rd.name, rd.line, err)
	}
	rd.line++
	return bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r")), nil
}

// parse takes one row apart.
func (rd *Reader) parse(line []byte) (Row, error) {
	cells, at, err := rd.split(line)
	if err != nil {
		return Row{}, err
	}
	row := Row{Line: rd.line}
	if row.Time, err = rd.time(cells[0], at[0]); err != nil {
		return Row{}, err
	}
	for i, v := range []*float64{&row.DistanceMM, &row.DoughC, &row.AirC} {
		if *v, err = rd.number(cells[i+1], at[i+1]); err != nil {
			return Row{}, err
		}
	}
	row.Event, err = rd.event(cells[4], at[4])
	return row, err
}

// split cuts a line at its commas and tells where each cell begins.
func (rd *Reader) split(line []byte) (cells [columns][]byte, at [columns]int, err error) {
	rest, n, pos := line, 0, 0
	for {
		cell, after, more := bytes.Cut(rest, []byte(","))
		if n < columns {
			cells[n], at[n] = unquote(cell), pos+1
		}
		n++
		pos += len(cell) + 1
		if !more {
			break
		}
		rest = after
	}
	if n != columns {
		return cells, at, rd.errorf(min(pos, len(line)+1), "%d cells; expected %d: %s", n, columns, Header)
	}
	return cells, at, nil
}

// unquote takes off blanks and the quotes that some programs put around every
// cell.
func unquote(cell []byte) []byte {
	cell = bytes.Trim(cell, " \t")
	if len(cell) >= 2 && cell[0] == '"' && cell[len(cell)-1] == '"' {
		return cell[1 : len(cell)-1]
	}
	return cell
}

// time reads the time and refuses one that runs back.
func (rd *Reader) time(cell []byte, at int) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, string(cell))
	if err != nil {
		return t, rd.errorf(at, "time is %.40q; expected RFC 3339 with a zone, like 2026-03-01T07:30:00+01:00", cell)
	}
	if t.Before(rd.last) {
		return t, rd.errorf(at, "time %s is before the row above (%s); rows must be in order of time", cell, rd.last.Format(time.RFC3339Nano))
	}
	rd.last = t
	return t, nil
}

// number reads a number or a missing reading.
func (rd *Reader) number(cell []byte, at int) (float64, error) {
	if len(cell) == 0 {
		return math.NaN(), nil
	}
	for _, c := range cell {
		if !strings.ContainsRune("0123456789.-+eE", rune(c)) {
			return 0, rd.errorf(at, "%.40q is not a number; expected digits with a point, or nothing for a missing reading", cell)
		}
	}
	v, err := strconv.ParseFloat(string(cell), 64)
	if err != nil || math.Abs(v) > limit {
		return 0, rd.errorf(at, "%.40q is not a number that can be measured; expected digits with a point, or nothing for a missing reading", cell)
	}
	return v, nil
}

// event reads the event column.
func (rd *Reader) event(cell []byte, at int) (string, error) {
	if len(cell) == 0 {
		return "", nil
	}
	for _, e := range Events() {
		if string(cell) == e {
			return e, nil
		}
	}
	return "", rd.errorf(at, "event is %.40q; expected nothing or one of %s", cell, strings.Join(Events(), ", "))
}

// errorf builds an *Error for the line read last.
func (rd *Reader) errorf(column int, format string, args ...any) error {
	return &Error{rd.name, rd.line, column, fmt.Sprintf(format, args...)}
}
