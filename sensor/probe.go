package sensor

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/onewire"
)

// ScratchpadC returns the temperature in Celsius that the nine bytes of a
// DS18B20 mean. It refuses a wrong checksum, all zeros (whose checksum is
// right), an impossible configuration byte and a value out of the probe's
// range. The error is a *FaultError.
func ScratchpadC(pad [9]byte) (float64, error) {
	switch {
	case bytes.Count(pad[:], []byte{0xff}) == len(pad):
		return 0, Fault(Missing, "probe.ones")
	case pad == [9]byte{}:
		return 0, Fault(BadData, "probe.zeros")
	case !onewire.CheckCRC(pad[:]):
		return 0, Fault(BadData, "probe.checksum")
	case pad[4]&0x9f != 0x1f:
		return 0, Fault(BadData, "probe.config", "byte", fmt.Sprintf("0x%02x", pad[4]))
	}
	raw := int16(uint16(pad[1])<<8 | uint16(pad[0]))
	undefined := int16(1)<<(3-(pad[4]>>5&3)) - 1 // low bits that mean nothing below 12 bits
	celsius := float64(raw&^undefined) / 16
	return celsius, CheckProbeC(celsius)
}

// CheckProbeC refuses what a DS18B20 cannot measure: outside -55 to 125 C, and
// with its own words the 127.94 C of a probe without enough power. The error
// is a *FaultError.
func CheckProbeC(celsius float64) error {
	switch {
	case math.Abs(celsius-127.9375) < 0.01:
		return Fault(PowerOn, "probe.power", "measured_fine_c", 127.94)
	case !(celsius >= -55 && celsius <= 125):
		return Fault(OutOfRange, "temperature.range", "measured_fine_c", celsius, "low_c", -55.0, "high_c", 125.0)
	}
	return nil
}

// PowerOnGuard catches the 85.000 C that a 1-wire thermometer holds after
// power-on. The zero value is ready.
type PowerOnGuard struct {
	lastC  float64
	lastAt time.Time
	seen   bool
}

// Check returns the temperature in Celsius that was measured at a moment, with offsetC
// added, or the error err. Exactly 85.000 is refused unless the last value taken, not
// older than a minute, was within 3 C of it, so that a probe that really is that hot
// goes on being read.
func (g *PowerOnGuard) Check(at time.Time, celsius, offsetC float64, err error) (float64, error) {
	if err != nil {
		return 0, err
	}
	if near := g.seen && at.Sub(g.lastAt) <= time.Minute && math.Abs(g.lastC-85) <= 3; celsius == 85 && !near {
		return 0, Fault(PowerOn, "probe.power_on", "measured_fine_c", 85.0)
	}
	g.lastC, g.lastAt, g.seen = celsius, at, true
	return celsius + offsetC, nil
}
