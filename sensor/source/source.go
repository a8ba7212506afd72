// Package source opens the source that a configuration describes, and reads it: the
// files that the Linux kernel offers for probes and sensors (1-wire, industrial I/O,
// hardware monitoring), chips on I2C and 1-wire buses that this program drives itself,
// ultrasonic sensors on GPIO and serial lines; topics are package mqtt's.
//
// The drivers of the chips are kept libraries (periph, tinygo). They are wrapped here so
// that a bus error is noticed, a chip that hangs is given up, and one that went wrong is
// brought back.
//
// Units: readings are in those of package sensor (mm, Celsius, ratio 0..1). The kernel's
// are metres, thousandths of a degree and thousandths of a percent.
//
// Sources: Linux kernel documentation w1/slaves/w1_therm.rst, ABI/testing/sysfs-bus-iio
// and sysfs-class-hwmon; DS18B20 datasheet (register table, power-on value); Maxim
// Application Note 27 (CRC); VL53L1X datasheet DocID031281 and user manual UM2356
// (identity EACC at 010F, status codes); VL6180X datasheet DocID026171 and AN4545
// (identity B4 at 000, error codes in bits 7 to 4 of register 04D); BME280 datasheet
// BST-BME280-DS002 (identity 60; the value 8000 of a skipped humidity measurement: from
// memory); HC-SR04 user guide (trigger of 10 us or more, echo width proportional to
// distance, 60 ms between pings, a pulse of about 38 ms when there is no echo). The
// frames of serial heads, and the codes by which they say that they see nothing, are
// from memory.
//
// Invariants: no value is given unless every transfer of it succeeded and the sensor's
// own status says that it is good; a pulse or a code that means "nothing there" never
// becomes a distance; bytes from before a reading began are never served as that
// reading. No kernel file and no device path outlives one reading, so that what vanished
// and came back under the same name is found again; nothing is written to those files.
//
// Opening never needs the hardware to be there: a sensor that is absent opens and then
// gives readings that say so, because it may come back. Sources are for one reader at a
// time and may hang with their bus, for which sensor.Poll is made.
package source

import (
	"cmp"
	"context"
	"fmt"

	"periph.io/x/conn/v3/gpio"

	"tidemark/sensor"
	"tidemark/sensor/mqtt"
)

// Env is what sources need from the machine around them. The zero value is the
// real machine.
type Env struct {
	SysfsRoot string     // where sysfs is mounted; empty = /sys
	DevRoot   string     // where devices are looked for; empty = /dev
	Buses     *Buses     // that sensors share; nil = some that last as long as the program
	Air       sensor.Air // over the vessel, for the speed of sound; may be nil
}

// Open returns the source of q that a configuration describes. One that is not valid
// is refused with a *sensor.FieldError.
func Open(c sensor.Config, q sensor.Quantity, env Env) (sensor.Source, error) {
	if err := sensor.Check(c, q); err != nil {
		return nil, err
	}
	if m, ok := c.(*sensor.MQTT); ok {
		return mqtt.New(q, *m), nil
	}
	env.SysfsRoot = cmp.Or(env.SysfsRoot, "/sys")
	if env.Buses == nil {
		env.Buses = NewBuses()
	}
	d, power := env.driver(c, q)
	if d.Quantity = q; power != "" {
		d.Supply = func(high bool) error { return env.Buses.set(power, gpio.Level(high)) }
	}
	return d, nil
}

// driver returns the driver of a configuration that was checked, and the GPIO line
// that feeds its sensor.
func (e Env) driver(c sensor.Config, q sensor.Quantity) (d *sensor.Driver, power string) {
	switch c := c.(type) {
	case *sensor.W1:
		return newW1(e.SysfsRoot, *c), c.Power
	case *sensor.DS18B20:
		return newDS18B20(e.Buses, *c), c.Power
	case *sensor.Hwmon:
		return file(func() (float64, error) { return readHwmon(e.SysfsRoot, q, *c) }), ""
	case *sensor.IIO:
		return file((&iio{root: e.SysfsRoot, q: q, conf: *c}).measure), ""
	case *sensor.VL53L1X:
		return newVL53L1X(e.Buses, *c, e.Air), c.Power
	case *sensor.VL6180X:
		return newVL6180X(e.Buses, *c), c.Power
	case *sensor.BME280:
		return newBME280(e.Buses, q, *c), c.Power
	case *sensor.HCSR04:
		return newHCSR04(e.Buses, *c, e.Air), c.Power
	case *sensor.SRF04:
		return newSRF04(e.SysfsRoot, *c, e.Air), ""
	default: // Check lets no other through
		return newHead(e.Buses, *c.(*sensor.Serial), e.Air), ""
	}
}

// file makes a driver of what is read of files.
func file(measure func() (float64, error)) *sensor.Driver {
	return &sensor.Driver{Measure: func(context.Context) (value, sd float64, err error) {
		value, err = measure()
		return value, 0, err
	}}
}

// Bus names the bus that the readings of a source share with others: sources with
// the same name are read one after the other.
func Bus(c sensor.Config) string {
	i2c := func(c sensor.I2C) string { return "i2c " + cmp.Or(c.Bus, "1") }
	switch c := c.(type) {
	case *sensor.W1:
		return "1-wire "
	case *sensor.DS18B20:
		return "1-wire " + c.Bus
	case *sensor.VL53L1X:
		return i2c(c.I2C)
	case *sensor.VL6180X:
		return i2c(c.I2C)
	case *sensor.BME280:
		return i2c(c.I2C)
	case *sensor.HCSR04:
		return fmt.Sprintf("gpio %s %d", c.Device, *c.Trigger)
	case *sensor.IIO:
		return "iio " + c.Device + c.Name
	default:
		return sensor.Describe(c)
	}
}
