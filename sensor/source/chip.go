package source

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"tidemark/sensor"
)

// Times of a chip: that its shutdown line is held, that it takes to wake (1.2 ms for the
// time-of-flight chips: from memory), and the pause between two reads of one register,
// so that a driver that waits in a tight loop leaves the bus to others.
const (
	shutTime  = 5 * time.Millisecond
	wakeTime  = 3 * time.Millisecond
	pollPause = time.Millisecond
)

// chip is one quantity of a chip on I2C, with what its type can do. It is the bus that
// its driver sees: the drivers of the time-of-flight chips look at no errors and wait
// without limit, so that after the first error, or when the context ends, it answers
// every read itself with fill, which lets their loops end, and keeps the error.
type chip struct {
	i2c.Bus
	buses   *Buses
	place   sensor.I2C
	xshut   string // GPIO line at the shutdown pin; empty = not wired
	wakesAt uint16 // address after power-on

	start func(addr uint16) error               // identifies the chip and sets it up
	move  func(addr uint16)                     // gives it another address; nil = set by a pin
	sense func() (value, sd float64, err error) // measures once
	fill  func(register uint16) byte            // answer after a failure; nil = 0xff
	tap   func(register uint16, r []byte)       // sees each good read; nil = nobody

	ctx  context.Context
	err  error
	last uint16 // register read last
}

// driver returns the chip's driver and holds it in shutdown if that line is wired, so
// that chips which share an address do not all answer.
func (c *chip) driver() *sensor.Driver {
	if c.xshut != "" {
		_ = c.buses.set(c.xshut, gpio.Low) // a line that is not there shows at the first reading
	}
	return &sensor.Driver{Resets: c.xshut != "",
		Open: func(ctx context.Context) error {
			c.ctx, c.err, c.last = ctx, nil, 0
			err := c.bringUp()
			return cmp.Or(c.err, err) // that of the bus explains the chip's
		},
		Measure: func(ctx context.Context) (value, sd float64, err error) {
			c.ctx, c.err, c.last = ctx, nil, 0
			value, sd, err = c.sense()
			return value, sd, cmp.Or(c.err, err)
		}}
}

// bringUp opens the bus and sets the chip up: after a reset if its shutdown line is
// wired, and moved to its address if that is another one than it wakes up at.
func (c *chip) bringUp() (err error) {
	addr := cmp.Or(uint16(c.place.Address), c.wakesAt)
	if c.xshut != "" {
		if err := c.buses.set(c.xshut, gpio.Low); err != nil {
			return err
		}
		time.Sleep(shutTime)
	}
	if c.Bus, err = c.buses.bus(c.place); err != nil {
		return err
	}
	if c.xshut != "" {
		if c.Bus.Tx(c.wakesAt, nil, make([]byte, 1)) == nil {
			return sensor.Fault(sensor.ReadFailed, "chip.second", "address", hex(c.wakesAt))
		}
		if err := c.buses.set(c.xshut, gpio.High); err != nil {
			return err
		}
		time.Sleep(wakeTime)
		if addr != c.wakesAt {
			c.move(addr)
		}
	}
	return c.start(addr)
}

// Tx does a transfer.
func (c *chip) Tx(addr uint16, w, r []byte) error {
	var reg uint16 // that it begins with: 16 bits for two bytes or more, else 8
	switch len(w) {
	case 0:
	case 1:
		reg = uint16(w[0])
	default:
		reg = binary.BigEndian.Uint16(w)
	}
	if c.err == nil {
		c.err = c.transfer(addr, reg, w, r)
	}
	switch {
	case c.err != nil:
		for i := range r {
			r[i] = 0xff
			if c.fill != nil {
				r[i] = c.fill(reg)
			}
		}
	case c.tap != nil && len(r) > 0:
		c.tap(reg, r)
	}
	return c.err
}

// transfer does a transfer on the real bus, slowly when it only waits.
func (c *chip) transfer(addr, reg uint16, w, r []byte) error {
	if len(r) == 0 {
		reg = 0
	} else if reg == c.last {
		time.Sleep(pollPause)
	}
	c.last = reg
	if c.ctx.Err() != nil {
		return sensor.Fault(sensor.ReadFailed, "chip.hangs")
	}
	if err := c.Bus.Tx(addr, w, r); err != nil {
		return sensor.Fault(sensor.Missing, "chip.silent", "address", hex(addr), "error", err)
	}
	return nil
}

// hex writes an address of a chip.
func hex[T ~uint16 | ~int](address T) string { return fmt.Sprintf("0x%02x", address) }

// newBME280 reads temperature or humidity of a BME280, or the temperature of a BMP280.
func newBME280(buses *Buses, q sensor.Quantity, conf sensor.BME280) *sensor.Driver {
	var dev *bmxx80.Dev
	dry := false // the chip did not measure humidity: it lost its supply and forgot that it should
	c := &chip{buses: buses, place: conf.I2C, wakesAt: 0x76, tap: func(reg uint16, r []byte) {
		if reg == 0xf7 && len(r) == 8 {
			dry = r[6] == 0x80 && r[7] == 0
		}
	}}
	c.start = func(addr uint16) (err error) {
		dev, err = bmxx80.NewI2C(c, addr, &bmxx80.Opts{Temperature: bmxx80.O2x, Pressure: bmxx80.O1x, Humidity: bmxx80.O2x})
		switch {
		case err != nil:
			return sensor.Fault(sensor.Missing, "bme280.other", "address", hex(addr), "error", err)
		case q == sensor.Humidity && !strings.HasPrefix(dev.String(), "BME"):
			return sensor.Fault(sensor.Missing, "bme280.dry", "address", hex(addr))
		}
		return nil
	}
	c.sense = func() (value, sd float64, err error) {
		var env physic.Env
		dry = false
		if err := dev.Sense(&env); err != nil {
			return 0, 0, err
		}
		switch {
		case q == sensor.Humidity && dry:
			return 0, 0, sensor.Fault(sensor.Unreliable, "bme280.skipped")
		case q == sensor.Humidity:
			value, err = ratio(float64(env.Humidity) / float64(100*physic.PercentRH))
		default:
			value, err = celsius(env.Temperature.Celsius(), conf.OffsetC, -40, 85)
		}
		return value, 0, err
	}
	return c.driver()
}
