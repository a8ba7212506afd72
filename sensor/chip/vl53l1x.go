package chip

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"tinygo.org/x/drivers/vl53l1x"

	"tidemark/sensor"
)

// shots is how many rangings make one reading.
const shots = 5

// longRange is one VL53L1X.
type longRange struct {
	conf   sensor.VL53L1X
	budget time.Duration // for one ranging
	air    sensor.Air    // the chip drifts with it; may be nil
	dev    vl53l1x.Device

	status  byte    // of the last result, masked
	stream  byte    // count of results, as the chip keeps it
	results int     // seen since the start
	tunedC  float64 // air temperature at which ranging was started; NaN when not known
}

// NewVL53L1X reads a VL53L1X. air may be nil.
func NewVL53L1X(buses *Buses, conf sensor.VL53L1X, air sensor.Air) *sensor.Driver {
	budget := cmp.Or(time.Duration(conf.Budget), 50*time.Millisecond)
	l := &longRange{conf: conf, budget: budget, air: air}
	return newChip(buses, conf.I2C, conf.XShut, sensor.Distance, l, &checkedBus{fill: l.fill, tap: l.tap})
}

func (l *longRange) wakesAt() uint16 { return vl53l1x.Address }

// fill answers failed reads so that the driver's loops end: "ready" is a 0 in the
// lowest bit of the interrupt register, and a 1 elsewhere.
func (l *longRange) fill(reg uint16) byte {
	if reg == vl53l1x.GPIO_TIO_HV_STATUS {
		return 0
	}
	return 0xff
}

// tap takes the chip's own status and its count of results from the traffic; the
// driver mixes up two of the codes and does not show the count.
func (l *longRange) tap(reg uint16, r []byte) {
	if reg == vl53l1x.RESULT_RANGE_STATUS && len(r) >= 3 {
		l.status = r[0] & 0x1f
		if l.stream != r[2] || l.results == 0 {
			l.results++
		}
		l.stream = r[2]
	}
}

func (l *longRange) move(b *checkedBus, addr uint16) {
	d := vl53l1x.New(b)
	d.SetAddress(uint8(addr))
}

func (l *longRange) start(b *checkedBus, addr uint16) error {
	l.dev = vl53l1x.New(b)
	l.dev.Address = addr
	l.results = 0
	if err := l.identify(b, addr); err != nil {
		return err
	}
	if !l.dev.Configure(true) {
		return sensor.Fault(sensor.ReadFailed, "chip.start", "address", hex(addr))
	}
	l.dev.SetDistanceMode(vl53l1x.SHORT)
	if !l.dev.SetMeasurementTimingBudget(uint32(l.budget.Microseconds())) {
		return sensor.Fault(sensor.ReadFailed, "chip.budget", "budget", fmt.Sprint(l.budget))
	}
	roi := uint8(cmp.Or(l.conf.ROI, 16))
	if err := l.dev.SetROI(roi, roi); err != nil {
		return sensor.Fault(sensor.ReadFailed, "chip.roi", "error", err)
	}
	l.dev.SetTimeout(uint32(4*l.budget.Milliseconds()) + 50)
	l.run()
	return nil
}

// run starts ranging. The chip tunes itself to its temperature at the first
// result.
func (l *longRange) run() {
	l.tunedC = l.airC()
	l.results = 0
	l.dev.StartContinuous(uint32(l.budget.Milliseconds()) + 5)
}

// airC is the air temperature in Celsius, NaN when not known.
func (l *longRange) airC() float64 {
	if l.air != nil {
		if c, _, ok := l.air(); ok {
			return c
		}
	}
	return math.NaN()
}

// retuneC is the change of temperature in Celsius after which the chip must tune
// itself anew (ST light driver for a relative of the chip; for this one from
// memory of UM2356).
const retuneC = 8

// retune stops and starts ranging when it has become that much warmer or colder,
// as in a move to the fridge.
func (l *longRange) retune() {
	now := l.airC()
	if math.IsNaN(l.tunedC) {
		l.tunedC = now
	}
	if math.Abs(now-l.tunedC) > retuneC {
		l.dev.StopContinuous()
		l.run()
	}
}

// identify checks that it is a VL53L1X.
func (l *longRange) identify(b *checkedBus, addr uint16) error {
	var id [2]byte
	if err := b.Tx(addr, []byte{vl53l1x.WHO_AM_I >> 8, vl53l1x.WHO_AM_I & 0xff}, id[:]); err != nil {
		return err
	}
	if got := binary.BigEndian.Uint16(id[:]); got != vl53l1x.CHIP_ID {
		return sensor.Fault(sensor.Missing, "chip.stranger", "address", hex(addr), "chip", "VL53L1X")
	}
	return nil
}

func (l *longRange) sense(b *checkedBus) (value, sd float64, err error) {
	l.retune()
	var mm []float64
	var last error
	for tries := 0; tries < shots+2 && len(mm) < shots && b.err == nil; tries++ {
		before := l.results
		l.status = statusNone
		one := l.dev.Read(true)
		switch verdict := l.verdict(before); {
		case verdict == nil:
			mm = append(mm, float64(one))
		case verdict != errSkip: //nolint:errorlint // a mark of our own, never wrapped
			last = verdict
		}
		if l.status == statusNone { // timed out once: more tries only take longer
			break
		}
	}
	return summarise(mm, last, l.conf.Limits, sensor.ReachOf(&l.conf))
}

// summarise makes one reading of the rangings that were good.
func summarise(mm []float64, last error, limits sensor.Limits, reach sensor.Reach) (value, sd float64, err error) {
	if 2*len(mm) < shots {
		if last == nil {
			last = sensor.Fault(sensor.ReadFailed, "range.few")
		}
		return 0, 0, last
	}
	value, _, sd = sensor.Summary(mm, 1)
	value, err = limits.Apply(value, reach)
	return value, sd, err
}

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
		return sensor.Fault(sensor.ReadFailed, "range.slow")
	case 9: // complete
		return l.fresh(before)
	case 6: // outcome 1
		return sensor.Fault(sensor.Unreliable, "range.noisy")
	case 4: // outcome 2
		return sensor.Fault(sensor.OutOfRange, "range.dim")
	case 5: // outcome 4
		return sensor.Fault(sensor.OutOfRange, "range.empty")
	case 7: // outcome 7
		return sensor.Fault(sensor.Unreliable, "range.wrapped")
	case 8, 13: // outcome 3
		return sensor.Fault(sensor.OutOfRange, "range.near")
	case 12:
		return sensor.Fault(sensor.Unreliable, "chip.cover")
	case 1, 2, 3, 17: // outcome 5
		return sensor.Fault(sensor.ReadFailed, "chip.fault", "code", l.status)
	case 18, 19: // outcome 6: first after the start
		return errSkip
	default:
		return sensor.Fault(sensor.Unreliable, "chip.unknown", "code", l.status)
	}
}

// fresh refuses the result that a stuck chip gives again, and passes over the
// first one after the start, which was not checked for wrapping.
func (l *longRange) fresh(before int) error {
	switch {
	case l.results == before:
		return sensor.Fault(sensor.Stuck, "range.repeats", "n", l.stream)
	case l.stream == 0 && l.results == 1:
		return errSkip
	}
	return nil
}
