// Package source turns the description of a source in the configuration into a
// sensor that can be read.
//
// It owns no hardware of its own: it only knows which package reads which kind.
// Opening never needs the hardware to be there: a sensor that is absent opens
// and then gives readings that say so, because it may come back.
package source

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/echo"
	"tidemark/sensor/kernel"
	"tidemark/sensor/remote"
)

// Env is what sources need from the machine around them. The zero value is the
// real machine.
type Env struct {
	SysfsRoot string       // where sysfs is mounted; empty = /sys
	Clock     sensor.Clock // nil = the machine's
	// Hub holds the I2C and 1-wire buses; whoever makes it closes it, after the
	// sources. nil = one that lasts as long as the program.
	Hub *chip.Hub
	// Brokers holds the connections to brokers in the same way.
	Brokers *remote.Hub
	// Air gives the air temperature under a sensor in Celsius and the relative
	// humidity (ratio 0..1), as last measured, for the speed of sound. ok is
	// false when the temperature is not known; humidity is NaN when that is not.
	Air func() (celsius, humidity float64, ok bool)
}

// withDefaults fills the gaps of an Env.
func (e Env) withDefaults() Env {
	e.SysfsRoot = cmp.Or(e.SysfsRoot, "/sys")
	if e.Clock == nil {
		e.Clock = sensor.SystemClock()
	}
	if e.Hub == nil {
		e.Hub = chip.NewHub()
	}
	if e.Brokers == nil {
		e.Brokers = remote.NewHub()
	}
	return e
}

// Open makes the source of q that spec describes. A spec that is not valid is
// refused with a *sensor.FieldError.
func Open(spec sensor.Spec, q sensor.Quantity, env Env) (sensor.Source, error) {
	if err := spec.Validate(q); err != nil {
		return nil, err
	}
	env = env.withDefaults()
	common := chip.Common{Hub: env.Hub, Place: place(spec), Clock: env.Clock, Offset: offset(spec, q)}
	tof := chip.ToFOptions{MinMM: spec.MinMM, MaxMM: spec.MaxMM, ROI: spec.ROI, Budget: time.Duration(spec.Budget), Air: env.Air}
	switch spec.Kind {
	case sensor.KindW1:
		return openW1(spec, env), nil
	case sensor.KindDS18B20:
		return chip.NewProbe(env.Hub, spec.Bus, spec.ID, spec.Power, spec.OffsetC, env.Clock), nil
	case sensor.KindHwmon:
		return kernel.NewHwmon(env.SysfsRoot, q, spec.Device, spec.Name, spec.Channel, spec.OffsetC, env.Clock), nil
	case sensor.KindIIO:
		return openIIO(spec, q, env), nil
	case sensor.KindVL53L1X:
		return chip.NewVL53L1X(common, tof), nil
	case sensor.KindVL6180X:
		return chip.NewVL6180X(common, tof), nil
	case sensor.KindBME280:
		return chip.NewBME280(common, q), nil
	case sensor.KindHCSR04:
		return openHCSR04(spec, env), nil
	case sensor.KindSRF04:
		return openSRF04(spec, env), nil
	case sensor.KindSerial:
		return openSerial(spec, env), nil
	case sensor.KindMQTT:
		return openMQTT(spec, q, env), nil
	}
	return nil, fmt.Errorf("kind %s is known but cannot be opened", spec.Kind) // Validate lets no other through
}

// offset is what is added to values of q.
func offset(spec sensor.Spec, q sensor.Quantity) float64 {
	switch q {
	case sensor.Distance:
		return spec.OffsetMM
	case sensor.Temperature:
		return spec.OffsetC
	default:
		return 0
	}
}

// place says where a chip is wired.
func place(spec sensor.Spec) chip.Place {
	return chip.Place{Bus: spec.Bus, Address: uint16(spec.Address), Mux: spec.Mux, Port: spec.Port, XShut: spec.XShut, Power: spec.Power}
}

// openW1 opens a probe behind the kernel's files.
func openW1(spec sensor.Spec, env Env) sensor.Source {
	w := kernel.NewW1(env.SysfsRoot, spec.ID, spec.OffsetC, env.Clock)
	if spec.Power == "" {
		return w
	}
	return chip.NewPowered(w, sensor.Temperature, env.Hub, spec.Power, env.Clock)
}

// openIIO opens a channel of the kernel's industrial I/O.
func openIIO(spec sensor.Spec, q sensor.Quantity, env Env) sensor.Source {
	return kernel.NewIIO(env.SysfsRoot, q, kernel.IIOOptions{
		Device: spec.Device, Name: spec.Name, Channel: spec.Channel,
		MinMM: spec.MinMM, MaxMM: spec.MaxMM, Offset: offset(spec, q),
	}, env.Clock)
}

// echoOptions are those of an ultrasonic sensor.
func echoOptions(spec sensor.Spec, env Env) echo.Options {
	return echo.Options{Pings: spec.Pings, MinMM: spec.MinMM, MaxMM: spec.MaxMM, OffsetMM: spec.OffsetMM,
		CO2: spec.CO2Ratio, AirC: spec.AirC, Air: env.Air, Clock: env.Clock}
}

// openHCSR04 opens an ultrasonic pair on GPIO lines.
func openHCSR04(spec sensor.Spec, env Env) sensor.Source {
	out, in := spec.Lines()
	s := echo.NewHCSR04(func() (echo.Lines, error) { return echo.OpenLines(spec.Device, out, in) }, echoOptions(spec, env))
	if spec.Power == "" {
		return s
	}
	return chip.NewPowered(s, sensor.Distance, env.Hub, spec.Power, env.Clock)
}

// openSRF04 opens an ultrasonic pair behind the kernel's driver.
func openSRF04(spec sensor.Spec, env Env) sensor.Source {
	name := "srf04"
	if spec.Device != "" {
		name = ""
	}
	file := kernel.NewIIO(env.SysfsRoot, sensor.Distance, kernel.IIOOptions{Device: spec.Device, Name: name}, env.Clock)
	return echo.NewSRF04(file, echoOptions(spec, env))
}

// openSerial opens a head on a serial line.
func openSerial(spec sensor.Spec, env Env) sensor.Source {
	open := func() (echo.Port, error) { return echo.OpenPort(spec.Device, cmp.Or(spec.Baud, 9600)) }
	return echo.NewSerial(open, spec.Format, echoOptions(spec, env))
}

// openMQTT opens a topic.
func openMQTT(spec sensor.Spec, q sensor.Quantity, env Env) sensor.Source {
	return remote.New(env.Brokers, q, remote.Options{Broker: spec.Broker, Topic: spec.Topic, Field: spec.Field, Unit: spec.Unit,
		User: spec.User, PasswordFile: spec.PasswordFile, CAFile: spec.CAFile, CertFile: spec.CertFile, KeyFile: spec.KeyFile,
		StaleAfter: time.Duration(spec.StaleAfter), MinMM: spec.MinMM, MaxMM: spec.MaxMM, Offset: offset(spec, q), Clock: env.Clock})
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
		return "mqtt " + spec.Broker + " " + spec.Topic + " " + spec.Field
	case sensor.KindHCSR04:
		trigger, _ := spec.Lines()
		return fmt.Sprintf("gpio %s %d", spec.Device, trigger)
	default:
		return string(spec.Kind) + " " + spec.Device + spec.Name
	}
}

// AirOf makes the Air of an Env from the latest readings of an air sensor.
// humidity may be nil.
func AirOf(celsius, humidity func() (value float64, ok bool)) func() (float64, float64, bool) {
	return func() (float64, float64, bool) {
		c, ok := celsius()
		h := math.NaN()
		if humidity != nil {
			if v, known := humidity(); known {
				h = v
			}
		}
		return c, h, ok
	}
}
