// Package record reads and writes recorded rises.
//
// A record is a text file of comma-separated values with the header
//
//	time,distance_mm,dough_c,air_c,event
//
// Units: time is RFC 3339 with its zone; distance_mm is millimetres from the
// sensor to the surface; dough_c and air_c are degrees Celsius. An empty cell is
// a missing reading. event is empty or one of start, fold, fridge, counter, end.
// A row may carry an event alone.
//
// Invariants: rows never run back in time (two rows may share a moment); memory
// does not grow with the length of the file. Every refusal is an *Error that
// names file, line and column. What Writer writes, Reader reads back to the
// digit.
//
// The package does not judge whether a distance makes sense for a vessel.
package record

import (
	"fmt"
	"io"
	"math"
	"time"
)

// Header is the first line of every record.
const Header = "time,distance_mm,dough_c,air_c,event"

// limit is the greatest size of a number that is taken, in mm or Celsius.
// Anything beyond is a typing error.
const limit = 1e6

// Row is one line of a record.
type Row struct {
	Time       time.Time // with the zone as written
	DistanceMM float64   // sensor to surface, mm; NaN when missing
	DoughC     float64   // Celsius; NaN when missing
	AirC       float64   // Celsius; NaN when missing
	Event      string    // empty, or one of Events
	Line       int       // number of its line in the file, from 1
}

// Events lists what the event column may hold beside nothing.
func Events() []string { return []string{"start", "fold", "fridge", "counter", "end"} }

// HasReading reports whether the row carries any measurement.
func (r Row) HasReading() bool {
	return !math.IsNaN(r.DistanceMM) || !math.IsNaN(r.DoughC) || !math.IsNaN(r.AirC)
}

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

// Check reads a whole record and returns nil or the first *Error. name stands
// for the file in the error.
func Check(r io.Reader, name string) error {
	rd, err := Open(r, name)
	if err != nil {
		return err
	}
	rows := 0
	for {
		switch _, err := rd.Next(); err {
		case nil:
			rows++
		case io.EOF:
			if rows == 0 {
				return rd.errorf(1, "no rows after the header; expected at least one")
			}
			return nil
		default:
			return err
		}
	}
}
