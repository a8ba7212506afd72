package chip

import (
	"strings"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"tidemark/sensor"
)

// airChip is one BME280, or a BMP280 for temperature only.
type airChip struct {
	q       sensor.Quantity
	offsetC float64
	dev     *bmxx80.Dev
	skipped bool // the chip did not measure humidity in the last transfer
}

// NewBME280 reads temperature or humidity of a BME280.
func NewBME280(buses *Buses, q sensor.Quantity, conf sensor.BME280) *sensor.Driver {
	a := &airChip{q: q, offsetC: conf.OffsetC}
	return newChip(buses, conf.I2C, "", q, a, &checkedBus{tap: a.tap})
}

func (a *airChip) wakesAt() uint16 { return 0x76 }

// move cannot be: the address is set by a pin.
func (a *airChip) move(*checkedBus, uint16) {}

// tap sees whether humidity was measured: a chip that lost its supply for a
// moment has forgotten that it should.
func (a *airChip) tap(reg uint16, r []byte) {
	if reg == 0xf7 && len(r) == 8 {
		a.skipped = r[6] == 0x80 && r[7] == 0
	}
}

func (a *airChip) start(b *checkedBus, addr uint16) error {
	dev, err := bmxx80.NewI2C(b, addr, &bmxx80.Opts{Temperature: bmxx80.O2x, Pressure: bmxx80.O1x, Humidity: bmxx80.O2x})
	if err != nil {
		return sensor.Fault(sensor.Missing, "bme280.other", "address", hex(addr), "error", err)
	}
	a.dev = dev
	if a.q == sensor.Humidity && !strings.HasPrefix(dev.String(), "BME") {
		return sensor.Fault(sensor.Missing, "bme280.dry", "address", hex(addr))
	}
	return nil
}

func (a *airChip) sense(b *checkedBus) (value, sd float64, err error) {
	var env physic.Env
	a.skipped = false
	if err := a.dev.Sense(&env); err != nil {
		return 0, 0, err
	}
	if a.q == sensor.Humidity {
		if a.skipped {
			return 0, 0, sensor.Fault(sensor.Unreliable, "bme280.skipped")
		}
		ratio := float64(env.Humidity) / float64(100*physic.PercentRH)
		if ratio < 0 || ratio > 1 {
			return 0, 0, sensor.Fault(sensor.OutOfRange, "humidity.range", "humidity_percent", 100*ratio)
		}
		return ratio, 0, nil
	}
	celsius := env.Temperature.Celsius()
	if celsius < -40 || celsius > 85 {
		return 0, 0, sensor.Fault(sensor.OutOfRange, "temperature.range", "measured_fine_c", celsius, "low_c", -40.0, "high_c", 85.0)
	}
	return celsius + a.offsetC, 0, nil
}
