// Package sensor reads temperature probes and distance sensors and says how far
// each reading can be trusted.
//
// Units: distance in millimetres from the sensor face to the surface,
// temperature in degrees Celsius, relative humidity as a ratio 0..1. The time of a
// Reading carries Go's monotonic clock too, from which intervals are taken.
//
// Invariants: a Reading whose Status is not OK has no usable Value (it is NaN)
// and an Err that says why; a stale value is never returned as a fresh one. A source
// is never read twice at the same time, and no call that hangs holds up others
// (Poll).
//
// The configuration of a source is the struct of its kind (Config). Package source
// opens and drives it, package mqtt hears what nodes send; package survey scans
// a machine and checks its sensors; sensortest has doubles of chips and lines.
//
// The package does not know about vessels, volumes or dough.
package sensor

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
)

// Quantity is what a source measures.
type Quantity string

// The quantities, with the unit of Reading.Value.
const (
	Distance    Quantity = "distance"    // millimetres, sensor face to surface
	Temperature Quantity = "temperature" // degrees Celsius
	Humidity    Quantity = "humidity"    // relative, ratio 0..1
)

// Status is the verdict on one reading.
type Status string

// The verdicts. Every status but OK means: this is not a measurement.
const (
	OK         Status = "ok"
	Missing    Status = "missing"      // device, file or message is not there
	ReadFailed Status = "read_failed"  // the bus or the kernel reported an error
	BadData    Status = "bad_data"     // checksum, framing or number format
	PowerOn    Status = "power_on"     // the chip's power-on value, no conversion done
	OutOfRange Status = "out_of_range" // beyond what the device can measure
	Unreliable Status = "unreliable"   // the device itself flags the value
	Stale      Status = "stale"        // nothing new since the last reading
	Stuck      Status = "stuck"        // implausibly identical for too long
)

// Reading is one measurement with its quality.
type Reading struct {
	Quantity Quantity
	Value    float64   // unit by Quantity; NaN unless Status is OK
	SD       float64   // standard deviation of a distance, mm; 0 means not known
	Wall     time.Time // when it was taken
	Status   Status
	Err      error // why there is no value, see FaultError; nil when Status is OK
}

// Taken returns a reading of q that is taken now: of a value (unit by q) with its standard
// deviation (0 means not known), or of the error that there was instead, with the verdict
// of a *FaultError, else as ReadFailed. A value that is not a finite number is BadData.
func Taken(q Quantity, value, sd float64, err error) Reading {
	if err == nil && (math.IsNaN(value) || math.IsInf(value, 0)) {
		err = Fault(BadData, "no_number", "value", fmt.Sprint(value))
	}
	if err != nil && StatusOf(err) == "" {
		err = Fault(ReadFailed, "other", "error", err)
	}
	r := Reading{Quantity: q, Value: value, SD: sd, Wall: time.Now(), Status: OK, Err: err}
	if err != nil {
		r.Value, r.SD, r.Status = math.NaN(), 0, StatusOf(err)
	}
	return r
}

// Said is a sentence of the catalogue with its values.
type Said struct {
	Key    string
	Values map[string]any
}

// Say returns a sentence; pairs are the names and values of its placeholders, of which
// an error may be one.
func Say(key string, pairs ...any) Said {
	s := Said{key, map[string]any{}}
	for i := 0; i+1 < len(pairs); i += 2 {
		value := pairs[i+1]
		if text, ok := value.(string); ok {
			value = fit(text)
		}
		s.Values[pairs[i].(string)] = value
	}
	return s
}

// Sentence returns the key and the values.
func (s Said) Sentence() (key string, values map[string]any) { return s.Key, s.Values }

// FaultError is a verdict on a reading that failed, on its way up from a driver, with the
// sentence that says why.
type FaultError struct {
	Status Status
	Said
}

// Fault returns a *FaultError. Its sentence is as in Say, with the key less the fault in
// front. Status OK is not a fault and is turned into ReadFailed.
func Fault(s Status, key string, pairs ...any) error {
	if s == OK || s == "" {
		s = ReadFailed
	}
	return &FaultError{s, Say("fault."+key, pairs...)}
}

// longest is the most of a text that a fault repeats, in bytes.
const longest = 200

// fit makes a text from outside fit into a sentence.
func fit(text string) string {
	text = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text[:min(len(text), longest)])
	return strings.TrimSpace(text)
}

// Error returns the key with the values, for a log.
func (e *FaultError) Error() string {
	out := e.Key
	for _, name := range slices.Sorted(maps.Keys(e.Values)) {
		out += fmt.Sprintf(" %s=%v", name, e.Values[name])
	}
	return out
}

// StatusOf returns the verdict of a *FaultError; empty for nil and other errors.
func StatusOf(err error) Status {
	var f *FaultError
	if errors.As(err, &f) {
		return f.Status
	}
	return ""
}
