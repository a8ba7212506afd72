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
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"tidemark/sensor"
)

// Times that lines are held: reset pulses, and the chips' time to wake (1.2 ms
// for the time-of-flight chips: from memory).
const (
	shutTime = 5 * time.Millisecond
	wakeTime = 3 * time.Millisecond
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

// onI2C is one quantity of one chip on I2C.
type onI2C struct {
	buses *Buses
	place sensor.I2C
	xshut string // GPIO line at the shutdown pin; empty = not wired
	dev   device
	bus   *checkedBus
	up    bool
}

// newChip returns a chip and holds it in shutdown if that line is wired, so that
// chips which share an address do not all answer.
func newChip(buses *Buses, place sensor.I2C, xshut string, q sensor.Quantity, dev device, bus *checkedBus) *sensor.Driver {
	c := &onI2C{buses: buses, place: place, xshut: xshut, dev: dev, bus: bus}
	if xshut != "" {
		_ = buses.set(xshut, gpio.Low) // a line that is not there shows at the first reading
	}
	return &sensor.Driver{Quantity: q, Measure: c.measure, Again: func() bool {
		c.up = false
		return xshut != ""
	}}
}

// measure sets the chip up if need be and measures once.
func (c *onI2C) measure(ctx context.Context) (value, sd float64, err error) {
	if !c.up {
		if err := c.bringUp(ctx); err != nil {
			return 0, 0, err
		}
		c.up = true
	}
	c.bus.begin(ctx)
	value, sd, err = c.dev.sense(c.bus)
	return value, sd, cmp.Or(c.bus.err, err)
}

// bringUp opens the bus and sets the chip up, after a reset if its line is wired.
func (c *onI2C) bringUp(ctx context.Context) error {
	if c.xshut != "" {
		if err := c.buses.set(c.xshut, gpio.Low); err != nil {
			return err
		}
		time.Sleep(shutTime)
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
func (c *onI2C) address(bus i2c.Bus) (uint16, error) {
	home := c.dev.wakesAt()
	want := cmp.Or(uint16(c.place.Address), home)
	if c.xshut == "" {
		return want, nil
	}
	if bus.Tx(home, nil, make([]byte, 1)) == nil {
		return 0, sensor.Fault(sensor.ReadFailed, "chip.second", "address", hex(home))
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
