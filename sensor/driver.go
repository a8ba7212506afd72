package sensor

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// Driver makes a Source of what a driver can do, and brings its sensor back: after
// three faults in a row it has it set up again, and switches its supply, if there is a
// line for that, off and on. 1-wire probes vanish after days until their supply is cut.
type Driver struct {
	Quantity Quantity
	// Measure measures once, in the unit of Quantity, after setting the sensor up if
	// need be. An OutOfRange is no fault: a sensor that says it sees nothing works.
	Measure func(ctx context.Context) (value, sd float64, err error)
	Again   func() (reset bool)   // has it set up again, and reports whether by a reset; nil = there is nothing to set up
	Supply  func(high bool) error // sets the line that feeds it; nil = none does
	Shut    func() error          // nil = nothing is held open

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
	if d.faults >= faultsToRestart && d.Again != nil {
		d.restarts.Add(1)
		if d.Again() {
			d.resets.Add(1)
		}
	}
	var value, sd float64
	err := d.feed()
	if err == nil {
		value, sd, err = d.Measure(ctx)
	}
	d.faults++
	if err == nil || StatusOf(err) == OutOfRange {
		d.faults, d.pause, d.resetAt = 0, faultsToRestart, faultsToRestart
	}
	return Taken(d.Quantity, value, sd, err)
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

// Close releases what is held open.
func (d *Driver) Close() error {
	if d.Shut == nil {
		return nil
	}
	return d.Shut()
}
