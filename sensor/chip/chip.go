// Package chip reads sensors that this program drives itself: time-of-flight chips
// and an air chip on I2C, 1-wire thermometers, and the HC-SR04 class on two GPIO
// lines. The drivers of the chips are kept libraries; this package wraps them so
// that a bus error is noticed, a chip that hangs is given up, and one that went
// wrong is brought back.
//
// Units: distance in mm, temperature in Celsius, humidity as a ratio 0..1.
//
// Sources: VL53L1X datasheet DocID031281 and user manual UM2356 (identity
// EACC at 010F, status codes); VL6180X datasheet DocID026171 and AN4545
// (identity B4 at 000, error codes in bits 7 to 4 of register 04D); DS18B20
// datasheet; BME280 datasheet BST-BME280-DS002 (identity 60; the value 8000 of a
// skipped humidity measurement: from memory); HC-SR04 user guide (trigger of 10 us
// or more, echo width proportional to distance, 60 ms between pings, a pulse of
// about 38 ms when there is no echo).
//
// Invariants: no value is given unless every transfer of it succeeded and the
// chip's own status says that it is good; a pulse that means "no echo" never
// becomes a distance. After three faults in a row a chip is set up again, over its
// shutdown or supply line if one is wired.
//
// Its sources are for one reader at a time and may hang with their bus, for which
// sensor.Poll is made.
package chip

import (
	"cmp"
	"context"
	"errors"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"tidemark/sensor"
)

// faultsToRestart is how many faults in a row make a chip be set up again.
const faultsToRestart = 3

// Times that lines are held: reset pulses, and the chips' time to wake (1.2 ms
// for the time-of-flight chips: from memory).
const (
	offTime   = 50 * time.Millisecond
	shutTime  = 5 * time.Millisecond
	wakeTime  = 3 * time.Millisecond
	powerTime = 100 * time.Millisecond
)

// device is what one type of chip can do, over a checkedBus.
type device interface {
	// wakesAt returns the address the chip has after power-on.
	wakesAt() uint16
	// start identifies the chip at addr and sets it up.
	start(b *checkedBus, addr uint16) error
	// move gives the chip another address; it is at its first one.
	move(b *checkedBus, addr uint16)
	// sense measures once.
	sense(b *checkedBus) (value, sd float64, err error)
}

// shared is what the sources on a bus share: they count how they were brought back,
// and closing leaves the sensor as it is; its bus is closed by the Buses.
type shared struct{ restarts, resets atomic.Int64 }

// Recovery returns how often the sensor was brought back.
func (s *shared) Recovery() sensor.Recovery {
	return sensor.Recovery{Restarts: s.restarts.Load(), Resets: s.resets.Load()}
}

// Close does nothing.
func (s *shared) Close() error { return nil }

// Chip is one quantity of one chip on I2C as a source.
type Chip struct {
	shared
	buses  *Buses
	place  sensor.I2C
	xshut  string // GPIO line at the shutdown pin; empty = not wired
	q      sensor.Quantity
	clock  sensor.Clock
	dev    device
	bus    *checkedBus
	up     bool
	faults int // in a row
}

// newChip returns a Chip and holds it in shutdown if that line is wired, so that
// chips which share an address do not all answer.
func newChip(buses *Buses, place sensor.I2C, xshut string, q sensor.Quantity, clock sensor.Clock, dev device) *Chip {
	c := &Chip{buses: buses, place: place, xshut: xshut, q: q, clock: clock, dev: dev, bus: &checkedBus{}}
	if xshut != "" {
		_ = buses.set(xshut, gpio.Low) // a line that is not there shows at the first reading
	}
	return c
}

// Read sets the chip up if need be and measures once.
func (c *Chip) Read(ctx context.Context) sensor.Reading {
	value, sd, err := c.measure(ctx)
	return c.clock.Reading(c.q, value, sd, err)
}

// measure does the work of Read.
func (c *Chip) measure(ctx context.Context) (value, sd float64, err error) {
	if !c.up {
		if err := c.bringUp(ctx); err != nil {
			c.faults++
			return 0, 0, err
		}
		c.up = true
	}
	c.bus.begin(ctx)
	value, sd, err = c.dev.sense(c.bus)
	err = cmp.Or(c.bus.err, err)
	if err == nil || sensor.StatusOf(err) == sensor.OutOfRange { // a chip that says it sees nothing works
		c.faults = 0
		return value, sd, err
	}
	c.faults++
	c.up = c.faults < faultsToRestart
	return 0, 0, err
}

// bringUp opens the bus and sets the chip up, after a reset if it failed before.
func (c *Chip) bringUp(ctx context.Context) error {
	again := c.faults >= faultsToRestart
	if again {
		c.restarts.Add(1)
	}
	if c.xshut != "" {
		if err := c.buses.set(c.xshut, gpio.Low); err != nil {
			return err
		}
		time.Sleep(shutTime)
		if again {
			c.resets.Add(1)
		}
	}
	bus, err := c.buses.bus(c.place)
	if err != nil {
		return err
	}
	c.bus.Bus = bus
	c.bus.begin(ctx)
	addr, err := c.address(bus)
	if err == nil {
		err = c.dev.start(c.bus, addr)
	}
	return cmp.Or(c.bus.err, err) // that of the bus explains the chip's
}

// address wakes the chip and moves it to its address if that is another one than
// it wakes up at.
func (c *Chip) address(bus i2c.Bus) (uint16, error) {
	home := c.dev.wakesAt()
	want := cmp.Or(uint16(c.place.Address), home)
	if c.xshut == "" {
		return want, nil
	}
	if bus.Tx(home, nil, make([]byte, 1)) == nil {
		return 0, sensor.Faultf(sensor.ReadFailed, "another chip answers at 0x%02x while this one is switched off; give every such chip on the bus its own address and shutdown line", home)
	}
	if err := c.buses.set(c.xshut, gpio.High); err != nil {
		return 0, err
	}
	time.Sleep(wakeTime)
	if want != home {
		c.dev.move(c.bus, want)
	}
	return want, nil
}

// Powered is a sensor that a GPIO line feeds and that is switched off and on when
// it fails: 1-wire probes vanish after days until their supply is cut.
type Powered struct {
	sensor.Source
	q        sensor.Quantity
	clock    sensor.Clock
	buses    *Buses
	line     string
	on       bool
	faults   int // in a row
	failedAt int // faults at which the line is switched; grows, so that a dead sensor is left alone more and more
	resets   atomic.Int64
}

// mostFaults is how many faults may pass at most between two resets.
const mostFaults = 96

// WithPower feeds a sensor of q from a GPIO line; without one it returns the sensor
// as it is.
func WithPower(s sensor.Source, q sensor.Quantity, buses *Buses, line string, clock sensor.Clock) sensor.Source {
	if line == "" {
		return s
	}
	return &Powered{Source: s, q: q, clock: clock, buses: buses, line: line, failedAt: faultsToRestart}
}

// Recovery returns how often the sensor was brought back.
func (p *Powered) Recovery() sensor.Recovery {
	var out sensor.Recovery
	if r, ok := p.Source.(sensor.Recoverer); ok {
		out = r.Recovery()
	}
	out.Resets += p.resets.Load()
	return out
}

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
	var off error
	if again {
		p.faults, p.failedAt = 0, min(2*p.failedAt, mostFaults)
		p.resets.Add(1)
		off = p.buses.set(p.line, gpio.Low)
		time.Sleep(offTime)
	}
	if err := errors.Join(off, p.buses.set(p.line, gpio.High)); err != nil {
		return err
	}
	p.on = true
	time.Sleep(powerTime)
	return nil
}
