// Package sensor reads temperature probes and distance sensors and says how far
// each reading can be trusted.
//
// Units: distance in millimetres from the sensor face to the surface,
// temperature in degrees Celsius, relative humidity as a ratio 0..1. A Reading
// carries a wall time and a monotonic offset; intervals are only ever taken
// from the latter.
//
// Invariants: a Reading whose Status is not OK has no usable Value (it is NaN)
// and a Reason in words; a stale value is never returned as a fresh one.
//
// The package does not know about vessels, volumes or dough: it turns a chip, a
// kernel file or a message into a number with a quality.
package sensor

import (
	"context"
	"time"
)

// Quantity is what a source measures.
type Quantity string

// The quantities a Source can deliver, with the unit of Reading.Value.
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
	Value    float64       // unit by Quantity; NaN unless Status is OK
	SD       float64       // standard deviation of Value, same unit; 0 means not known
	Wall     time.Time     // when it was taken, by the wall clock
	Mono     time.Duration // when it was taken, by a clock that never steps
	Status   Status
	Reason   string // in words, for a person; empty when Status is OK
}

// Source is one thing that can be read. Read blocks at most until ctx ends and
// always returns a Reading: a fault is a Status, not an error, because the
// caller must go on watching. Close releases buses and files.
type Source interface {
	Read(ctx context.Context) Reading
	Close() error
}
