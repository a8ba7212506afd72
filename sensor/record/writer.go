package record

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"
)

// Writer writes a record that Reader reads back to the digit. It is not for use
// by several goroutines.
type Writer struct {
	out  *bufio.Writer
	last time.Time
	buf  []byte
	err  error
}

// NewWriter starts a record with its header. Errors show in Flush at the latest.
func NewWriter(w io.Writer) *Writer {
	out := bufio.NewWriter(w)
	_, err := out.WriteString(Header + "\n")
	return &Writer{out: out, err: err}
}

// Write adds a row. It refuses a time before the last row's, a number that is
// infinite or too large, and an unknown event: nothing is written then.
func (w *Writer) Write(r Row) error {
	if w.err != nil {
		return w.err
	}
	if err := w.check(r); err != nil {
		return err
	}
	w.last = r.Time
	b := r.Time.AppendFormat(w.buf[:0], time.RFC3339Nano)
	for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC} {
		b = append(b, ',')
		if !math.IsNaN(v) {
			b = strconv.AppendFloat(b, v, 'f', -1, 64)
		}
	}
	b = append(append(append(b, ','), r.Event...), '\n')
	w.buf = b
	_, w.err = w.out.Write(b)
	return w.err
}

// check refuses what Reader would refuse.
func (w *Writer) check(r Row) error {
	if r.Time.Before(w.last) {
		return fmt.Errorf("record: row at %s is before the last one (%s); write rows in order of time",
			r.Time.Format(time.RFC3339Nano), w.last.Format(time.RFC3339Nano))
	}
	if y := r.Time.Year(); y < 1 || y > 9999 {
		return fmt.Errorf("record: year %d cannot be written; expected 1 to 9999", y)
	}
	if _, off := r.Time.Zone(); off%60 != 0 || off <= -24*3600 || off >= 24*3600 {
		return fmt.Errorf("record: zone of %s is not a whole number of minutes within a day", r.Time)
	}
	for _, v := range []float64{r.DistanceMM, r.DoughC, r.AirC} {
		if math.Abs(v) > limit {
			return fmt.Errorf("record: %v is beyond any measurement (%g); leave it out as NaN", v, float64(limit))
		}
	}
	if r.Event != "" && !slices.Contains(Events(), r.Event) {
		return fmt.Errorf("record: event %q is not known; expected one of %v", r.Event, Events())
	}
	return nil
}

// Flush writes what is still held back and returns the first error met.
func (w *Writer) Flush() error {
	if w.err != nil {
		return w.err
	}
	w.err = w.out.Flush()
	return w.err
}
