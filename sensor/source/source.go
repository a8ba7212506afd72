// Package source opens the source that a configuration describes.
//
// It knows which package reads which kind. Opening never needs the hardware to be there: a sensor that is absent opens
// and then gives readings that say so, because it may come back.
package source

import (
	"cmp"
	"fmt"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/kernel"
	"tidemark/sensor/mqtt"
	"tidemark/sensor/serial"
)

// Env is what sources need from the machine around them. The zero value is the
// real machine.
type Env struct {
	SysfsRoot string      // where sysfs is mounted; empty = /sys
	Buses     *chip.Buses // I2C and 1-wire, which sensors share; nil = some that last as long as the program
	Air       sensor.Air  // over the vessel, for the speed of sound; may be nil
}

// withDefaults fills the gaps of an Env.
func (e Env) withDefaults() Env {
	e.SysfsRoot = cmp.Or(e.SysfsRoot, "/sys")
	if e.Buses == nil {
		e.Buses = chip.NewBuses()
	}
	return e
}

// Open returns the source of q that a configuration describes. One that is not valid
// is refused with a *sensor.FieldError.
func Open(c sensor.Config, q sensor.Quantity, env Env) (sensor.Source, error) {
	if err := sensor.Check(c, q); err != nil {
		return nil, err
	}
	env = env.withDefaults()
	s, power := driver(c, q, env)
	if d, ok := s.(*sensor.Driver); ok && power != "" {
		d.Supply = env.Buses.Line(power)
	}
	return s, nil
}

// driver returns the driver of a configuration that was checked, and the GPIO line
// that feeds its sensor.
func driver(c sensor.Config, q sensor.Quantity, env Env) (s sensor.Source, power string) {
	root, buses := env.SysfsRoot, env.Buses
	switch c := c.(type) {
	case *sensor.W1:
		return kernel.NewW1(root, *c), c.Power
	case *sensor.DS18B20:
		return chip.NewProbe(buses, *c), c.Power
	case *sensor.Hwmon:
		return kernel.NewHwmon(root, q, *c), ""
	case *sensor.IIO:
		return kernel.NewIIO(root, q, *c), ""
	case *sensor.VL53L1X:
		return chip.NewVL53L1X(buses, *c, env.Air), c.Power
	case *sensor.VL6180X:
		return chip.NewVL6180X(buses, *c), c.Power
	case *sensor.BME280:
		return chip.NewBME280(buses, q, *c), c.Power
	case *sensor.HCSR04:
		return chip.NewHCSR04(nil, *c, env.Air), c.Power
	case *sensor.SRF04:
		return kernel.NewSRF04(root, *c, env.Air), ""
	case *sensor.Serial:
		return serial.NewHead(nil, *c, env.Air), ""
	default:
		return mqtt.New(q, *c.(*sensor.MQTT)), "" // Check lets no other through
	}
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
