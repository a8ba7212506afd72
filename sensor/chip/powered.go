package chip

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tidemark/sensor"
)

// Powered is a sensor that a GPIO line feeds and that is switched off and on when
// it fails: 1-wire probes vanish after days until their supply is cut.
type Powered struct {
	sensor.Source
	q        sensor.Quantity
	clock    sensor.Clock
	hub      *Hub
	line     string
	on       bool
	faults   int // in a row
	failedAt int // faults at which the line is switched; grows, so that a dead sensor is left alone more and more
	resets   atomic.Int64
}

// mostFaults is how many faults may pass at most between two resets.
const mostFaults = 96

// NewPowered feeds a sensor of q from a GPIO line of hub. It is for one reader at
// a time.
func NewPowered(s sensor.Source, q sensor.Quantity, hub *Hub, line string, clock sensor.Clock) *Powered {
	return &Powered{Source: s, q: q, clock: clock, hub: hub, line: line, failedAt: faultsToRestart}
}

// Recovery tells how often the sensor was switched off and on.
func (p *Powered) Recovery() sensor.Recovery { return sensor.Recovery{Resets: p.resets.Load()} }

// Read switches the supply on if need be, and off and on after three faults in a
// row, and reads.
func (p *Powered) Read(ctx context.Context) sensor.Reading {
	if err := p.feed(); err != nil {
		return p.clock.Stamp(p.q).Failed(err)
	}
	r := p.Source.Read(ctx)
	if r.Status == sensor.OK || r.Status == sensor.OutOfRange {
		p.faults, p.failedAt = 0, faultsToRestart
	} else {
		p.faults++
	}
	return r
}

// feed sets the line.
func (p *Powered) feed() error {
	again := p.faults >= p.failedAt
	if p.on && !again {
		return nil
	}
	pin, err := p.hub.Pin(p.line)
	if err != nil {
		return err
	}
	if again {
		p.faults, p.failedAt = 0, min(2*p.failedAt, mostFaults)
		p.resets.Add(1)
		err = pin.Out(gpio.Low)
		time.Sleep(offTime)
	}
	if err := errors.Join(err, pin.Out(gpio.High)); err != nil {
		return sensor.Faultf(sensor.ReadFailed, "GPIO line %s cannot be set: %v", p.line, err)
	}
	p.on = true
	time.Sleep(powerTime)
	return nil
}
