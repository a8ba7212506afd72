package chip

import (
	"errors"

	"tidemark/sensor"
)

// errSkip marks a result that is not yet, or no longer, a measurement.
var errSkip = errors.New("not a measurement")

// statusNone stands for "no result was read".
const statusNone = 0xff

// verdict judges the result read last by the code that the chip itself gives
// (register 0089, lowest five bits; the meaning of the raw codes is from memory
// of ST's light driver, that of the numbered outcomes is in UM2356). before is
// the count of results before it was read.
func (l *longRange) verdict(before int) error {
	switch l.status {
	case statusNone:
		return sensor.Faultf(sensor.ReadFailed, "the chip finished no ranging in time")
	case 9: // complete
		return l.fresh(before)
	case 6: // outcome 1
		return sensor.Faultf(sensor.Unreliable, "the distance is too noisy (sigma); the surface is dark or far, or the budget too short")
	case 4: // outcome 2
		return sensor.Faultf(sensor.OutOfRange, "too little light comes back: nothing in range, or the window is covered")
	case 5: // outcome 4
		return sensor.Faultf(sensor.OutOfRange, "nothing in range (phase out of bounds)")
	case 7: // outcome 7
		return sensor.Faultf(sensor.Unreliable, "the echo comes from far behind the range (wrapped target)")
	case 8, 13: // outcome 3
		return sensor.Faultf(sensor.OutOfRange, "nearer than the chip can measure")
	case 12:
		return sensor.Faultf(sensor.Unreliable, "light from the cover over the chip drowns the surface; clean the window")
	case 1, 2, 3, 17: // outcome 5
		return sensor.Faultf(sensor.ReadFailed, "the chip reports a hardware fault (code %d)", l.status)
	case 18, 19: // outcome 6: first after the start
		return errSkip
	default:
		return sensor.Faultf(sensor.Unreliable, "the chip reports the unknown status %d", l.status)
	}
}

// fresh refuses the result that a stuck chip gives again, and passes over the
// first one after the start, which was not checked for wrapping.
func (l *longRange) fresh(before int) error {
	switch {
	case l.results == before:
		return sensor.Faultf(sensor.Stuck, "the chip gives the same result (number %d) again and again", l.stream)
	case l.stream == 0 && l.results == 1:
		return errSkip
	}
	return nil
}
