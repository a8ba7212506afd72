// Package source turns the description of a source in the configuration into a
// sensor that can be read.
//
// It owns no hardware of its own: it only knows which package reads which kind.
// Opening never needs the hardware to be there: a sensor that is absent opens
// and then gives readings that say so, because it may come back.
package source

import (
	"cmp"
	"errors"
	"fmt"

	"tidemark/sensor"
	"tidemark/sensor/kernel"
)

// Env is what sources need from the machine around them. The zero value is the
// real machine.
type Env struct {
	SysfsRoot string // where sysfs is mounted; empty = /sys
	Clock     sensor.Clock
	// Air gives the air temperature under a sensor in Celsius and the relative
	// humidity (ratio 0..1), as last measured, for the speed of sound. ok is
	// false when nothing is known; humidity is NaN when only that is unknown.
	Air func() (celsius, humidity float64, ok bool)
}

// ErrUnknownKind is returned for a kind that Open cannot open.
var ErrUnknownKind = errors.New("kind of source not known")

// withDefaults fills the gaps of an Env.
func (e Env) withDefaults() Env {
	e.SysfsRoot = cmp.Or(e.SysfsRoot, "/sys")
	if e.Clock == nil {
		e.Clock = sensor.SystemClock()
	}
	return e
}

// Open makes the source of q that spec describes. The spec must be valid.
func Open(spec sensor.Spec, q sensor.Quantity, env Env) (sensor.Source, error) {
	if err := spec.Validate(q); err != nil {
		return nil, err
	}
	env = env.withDefaults()
	switch spec.Kind {
	case sensor.KindW1:
		return kernel.NewW1(env.SysfsRoot, spec.ID, spec.OffsetC, env.Clock), nil
	case sensor.KindHwmon:
		return kernel.NewHwmon(env.SysfsRoot, q, spec.Device, spec.Name, spec.Channel, spec.OffsetC, env.Clock), nil
	case sensor.KindIIO:
		return openIIO(spec, q, env), nil
	}
	return nil, fmt.Errorf("%w: %s", ErrUnknownKind, spec.Kind)
}

// openIIO opens a channel of the kernel's industrial I/O.
func openIIO(spec sensor.Spec, q sensor.Quantity, env Env) sensor.Source {
	opt := kernel.IIOOptions{
		Device: spec.Device, Name: spec.Name, Channel: spec.Channel,
		MinMM: spec.MinMM, MaxMM: spec.MaxMM,
	}
	switch q {
	case sensor.Distance:
		opt.Offset = spec.OffsetMM
	case sensor.Temperature:
		opt.Offset = spec.OffsetC
	}
	return kernel.NewIIO(env.SysfsRoot, q, opt, env.Clock)
}

// Bus names the bus that a spec's readings share with others: sources with the
// same name are read one after the other.
func Bus(spec sensor.Spec) string {
	switch spec.Kind {
	case sensor.KindW1, sensor.KindDS18B20:
		return "1-wire " + spec.Bus
	case sensor.KindVL53L1X, sensor.KindVL6180X, sensor.KindBME280:
		return "i2c " + cmp.Or(spec.Bus, "1")
	case sensor.KindMQTT:
		return "mqtt " + spec.Broker + " " + spec.Topic
	case sensor.KindHCSR04:
		return fmt.Sprintf("gpio %s %d", spec.Device, spec.Trigger)
	default:
		return string(spec.Kind) + " " + spec.Device + spec.Name
	}
}
