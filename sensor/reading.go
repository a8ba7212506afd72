package sensor

import (
	"fmt"
	"math"
)

// Stamp starts a reading of q at the clock's present moment, with no value yet.
func (c Clock) Stamp(q Quantity) Reading {
	wall, mono := c()
	return Reading{Quantity: q, Value: math.NaN(), Wall: wall, Mono: mono}
}

// Good is the reading with a value (unit by its Quantity) and its standard
// deviation (same unit; 0 means not known). A value that is not a finite number
// becomes a BadData reading instead.
func (r Reading) Good(value, sd float64) Reading {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return r.Fault(BadData, "the sensor gave %v, which is not a number", value)
	}
	r.Value, r.SD, r.Status, r.Reason = value, sd, OK, ""
	return r
}

// Fault is the reading without a value, with the verdict and its reason in
// words. Status OK is not a fault and is turned into ReadFailed.
func (r Reading) Fault(s Status, format string, args ...any) Reading {
	if s == OK || s == "" {
		s = ReadFailed
	}
	r.Value, r.SD, r.Status = math.NaN(), 0, s
	r.Reason = fmt.Sprintf(format, args...)
	return r
}
