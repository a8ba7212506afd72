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

// Place says where a chip is wired.
type Place struct {
	Bus     string // I2C bus number; empty = 1
	Address uint16 // 0 = where the chip wakes up
	Mux     int    // address of a multiplexer; 0 = none
	Port    int    // its port
	XShut   string // GPIO line at the shutdown pin; empty = not wired
	Power   string // GPIO line that feeds the chip; empty = not wired
}

// Common options of all chips.
type Common struct {
	Hub    *Hub
	Place  Place
	Clock  sensor.Clock
	Offset float64 // added to each value, in its unit
}

// faultsToRestart is how many faults in a row make a chip be set up anew.
const faultsToRestart = 3

// Times that lines are held: reset pulses, and the chips' time to wake (1.2 ms
// for the time-of-flight chips: from memory).
const (
	offTime   = 50 * time.Millisecond
	shutTime  = 5 * time.Millisecond
	wakeTime  = 3 * time.Millisecond
	powerTime = 100 * time.Millisecond
)

// device is what one type of chip can do. All its transfers go over the guard's
// bus.
type device interface {
	// wakesAt is the address the chip has after power-on.
	wakesAt() uint16
	// start identifies the chip at addr and sets it up.
	start(g *guard, addr uint16) error
	// move gives the chip another address; it is at its first one.
	move(g *guard, addr uint16)
	// sense measures once.
	sense(ctx context.Context, g *guard) (value, sd float64, err error)
}

// Chip is one quantity of one chip as a source.
type Chip struct {
	common Common
	q      sensor.Quantity
	dev    device
	turn   sensor.Turn
	guard  *guard
	up     bool
	faults int // in a row

	restarts, resets atomic.Int64
}

// newChip makes a Chip and holds it in shutdown if that line is wired, so that
// chips which share an address do not all answer.
func newChip(c Common, q sensor.Quantity, dev device) *Chip {
	ch := &Chip{common: c, q: q, dev: dev, turn: sensor.NewTurn()}
	if c.Place.XShut != "" {
		_ = ch.line(c.Place.XShut, gpio.Low) // a line that is not there shows at the first reading
	}
	return ch
}

// Recovery tells how often the chip was brought back.
func (c *Chip) Recovery() sensor.Recovery {
	return sensor.Recovery{Restarts: c.restarts.Load(), Resets: c.resets.Load()}
}

// Close leaves the chip as it is; its bus is closed by the Hub.
func (c *Chip) Close() error { return nil }

// Read sets the chip up if need be and measures once.
func (c *Chip) Read(ctx context.Context) sensor.Reading {
	var value, sd float64
	inner, cancel := earlier(ctx)
	defer cancel()
	err := c.turn.Do(ctx, func() (err error) {
		value, sd, err = c.measure(inner)
		return err
	})
	r := c.common.Clock.Stamp(c.q)
	if err != nil {
		return r.Failed(err)
	}
	return r.Good(value+c.common.Offset, sd)
}

// earlier ends a little before ctx does, so that the transfers with a chip that
// hangs are ended in order, with a reason, before the reading is given up.
func earlier(ctx context.Context) (context.Context, context.CancelFunc) {
	deadline, ok := ctx.Deadline()
	if !ok {
		return context.WithCancel(ctx)
	}
	return context.WithDeadline(ctx, deadline.Add(-time.Until(deadline)/20))
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
	c.guard.begin(ctx)
	value, sd, err = c.dev.sense(ctx, c.guard)
	if err == nil {
		err = c.guard.err
	} else if c.guard.err != nil {
		err = c.guard.err // the bus's error explains the chip's
	}
	c.count(err)
	return value, sd, err
}

// count keeps the faults in a row and takes the chip down after too many. A chip
// that says that it sees nothing works.
func (c *Chip) count(err error) {
	var f *sensor.FaultError
	if err == nil || errors.As(err, &f) && f.Status == sensor.OutOfRange {
		c.faults = 0
		return
	}
	c.faults++
	if c.faults >= faultsToRestart {
		c.up = false
	}
}

// bringUp opens the bus and sets the chip up, after a reset if it failed before.
func (c *Chip) bringUp(ctx context.Context) error {
	if c.faults >= faultsToRestart {
		c.restarts.Add(1)
	}
	if err := c.lines(); err != nil {
		return err
	}
	bus, err := c.common.Hub.bus(c.common.Place)
	if err != nil {
		return err
	}
	if c.guard == nil {
		c.guard = newGuard(bus, c.dev)
	}
	c.guard.bus = bus
	c.guard.begin(ctx)
	addr, err := c.address(bus)
	if err != nil {
		return err
	}
	err = c.dev.start(c.guard, addr)
	if c.guard.err != nil { // the bus's error explains the chip's
		return c.guard.err
	}
	return err
}

// newGuard makes the guard of a device, which may say how failed reads are
// answered and watch the traffic.
func newGuard(bus i2c.Bus, dev device) *guard {
	g := &guard{bus: bus}
	if f, ok := dev.(interface{ fill(uint16) byte }); ok {
		g.fill = f.fill
	}
	if f, ok := dev.(interface{ tap(uint16, []byte) }); ok {
		g.tap = f.tap
	}
	return g
}

// lines gives the chip its supply and lets it sleep, resetting it when it failed.
func (c *Chip) lines() error {
	p := c.common.Place
	again := c.faults >= faultsToRestart
	if p.Power != "" {
		if again {
			if err := c.line(p.Power, gpio.Low); err != nil {
				return err
			}
			time.Sleep(offTime)
		}
		if err := c.line(p.Power, gpio.High); err != nil {
			return err
		}
		time.Sleep(powerTime)
	}
	if p.XShut != "" {
		if err := c.line(p.XShut, gpio.Low); err != nil {
			return err
		}
		time.Sleep(shutTime)
	}
	if again && (p.Power != "" || p.XShut != "") {
		c.resets.Add(1)
	}
	return nil
}

// line sets a GPIO line.
func (c *Chip) line(name string, level gpio.Level) error {
	pin, err := c.common.Hub.Pin(name)
	if err != nil {
		return err
	}
	if err := pin.Out(level); err != nil {
		return sensor.Faultf(sensor.ReadFailed, "GPIO line %s cannot be set: %v", name, err)
	}
	return nil
}

// address wakes the chip and moves it to its address if that is another one than
// it wakes up at.
func (c *Chip) address(bus i2c.Bus) (uint16, error) {
	p, home := c.common.Place, c.dev.wakesAt()
	want := cmp.Or(p.Address, home)
	if p.XShut == "" {
		return want, nil
	}
	if bus.Tx(home, nil, make([]byte, 1)) == nil {
		return 0, sensor.Faultf(sensor.ReadFailed, "another chip answers at 0x%02x while this one is switched off; give every such chip on the bus its own address and shutdown line", home)
	}
	if err := c.line(p.XShut, gpio.High); err != nil {
		return 0, err
	}
	time.Sleep(wakeTime)
	if want != home {
		c.dev.move(c.guard, want)
	}
	return want, c.guard.err
}
