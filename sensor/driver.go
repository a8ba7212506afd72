package sensor

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// Driver makes a Source of what a driver can do, and brings its sensor back: after
// three faults in a row it lets go of it and sets it up again, and switches its supply,
// if there is a line for that, off and on. 1-wire probes vanish after days until their
// supply is cut.
type Driver struct {
	Quantity Quantity
	Open     func(ctx context.Context) error // gets hold of the sensor and sets it up, before the first reading; nil = there is nothing to set up
	Resets   bool                            // Open resets the sensor by its shutdown line
	// Measure measures once, in the unit of Quantity. An OutOfRange is no fault: a
	// sensor that says it sees nothing works.
	Measure func(ctx context.Context) (value, sd float64, err error)
	Shut    func() error          // lets go of what Open got hold of; nil = there is nothing
	Supply  func(high bool) error // sets the line that feeds the sensor; nil = none does

	open     bool
	fed      bool
	faults   int // in a row
	resetAt  int // faults at which the supply is switched
	pause    int // faults until then; grows, so that a dead sensor is left alone more and more
	restarts atomic.Int64
	resets   atomic.Int64
}

// faultsToRestart is how many faults in a row make a sensor be set up again, and
// mostFaults how many may pass at most between two cuts of its supply.
const (
	faultsToRestart = 3
	mostFaults      = 96
)

// Times that the supply is held.
const (
	offTime   = 50 * time.Millisecond
	powerTime = 100 * time.Millisecond
)

// Read brings the sensor back if need be and measures once.
func (d *Driver) Read(ctx context.Context) Reading {
	if d.faults >= faultsToRestart && d.Open != nil {
		_ = d.Close() // the fault before matters more
		d.restarts.Add(1)
		if d.Resets {
			d.resets.Add(1)
		}
	}
	value, sd, err := d.measure(ctx)
	d.faults++
	if err == nil || StatusOf(err) == OutOfRange {
		d.faults, d.pause, d.resetAt = 0, faultsToRestart, faultsToRestart
	}
	return Taken(d.Quantity, value, sd, err)
}

// measure measures once, after feeding the sensor and setting it up if need be.
func (d *Driver) measure(ctx context.Context) (value, sd float64, err error) {
	if err := d.feed(); err != nil {
		return 0, 0, err
	}
	if !d.open && d.Open != nil {
		if err := d.Open(ctx); err != nil {
			return 0, 0, err
		}
		d.open = true
	}
	return d.Measure(ctx)
}

// feed switches the supply on if need be, and off and on when it is time.
func (d *Driver) feed() error {
	again := d.fed && d.faults >= max(d.resetAt, faultsToRestart)
	if d.Supply == nil || d.fed && !again {
		return nil
	}
	var off error
	if again {
		d.pause = min(2*max(d.pause, faultsToRestart), mostFaults)
		d.resetAt = d.faults + d.pause
		d.resets.Add(1)
		off = d.Supply(false)
		time.Sleep(offTime)
	}
	if err := errors.Join(off, d.Supply(true)); err != nil {
		return err
	}
	d.fed = true
	time.Sleep(powerTime)
	return nil
}

// Recovery returns how often the sensor was brought back.
func (d *Driver) Recovery() Recovery {
	return Recovery{Restarts: d.restarts.Load(), Resets: d.resets.Load()}
}

// Close lets go of the sensor.
func (d *Driver) Close() error {
	open := d.open
	d.open = false
	if !open || d.Shut == nil {
		return nil
	}
	return d.Shut()
}
