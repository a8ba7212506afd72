package source

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"tinygo.org/x/drivers/vl53l1x"
	"tinygo.org/x/drivers/vl6180x"

	"tidemark/sensor"
)

// shots is how many rangings of a time-of-flight chip make one reading.
const shots = 5

// errSkip marks a result that is not yet, or no longer, a measurement.
var errSkip = errors.New("not a measurement")

// rangings makes one reading of several rangings, at least half of which must be good.
// After one that fails, not for what the chip sees, more tries only take longer.
func (c *chip) rangings(limits sensor.Limits, reach sensor.Reach, one func() (mm float64, err error)) (value, sd float64, err error) {
	var mm []float64
	last := sensor.Fault(sensor.ReadFailed, "range.few")
	for tries := 0; tries < shots+2 && len(mm) < shots && c.err == nil; tries++ {
		v, err := one()
		switch status := sensor.StatusOf(err); {
		case err == nil:
			mm = append(mm, v)
		case status != "":
			last = err
		}
		if sensor.StatusOf(err) == sensor.ReadFailed {
			break
		}
	}
	if 2*len(mm) < shots {
		return 0, 0, last
	}
	value, _, sd = sensor.Summary(mm, 1)
	value, err = limits.Apply(value, reach)
	return value, sd, err
}

// meaning returns the fault that a chip's own code of a ranging stands for; nil for the
// good one.
func meaning(faults map[byte]error, good, code byte) error {
	if code == good {
		return nil
	}
	return cmp.Or(faults[code], sensor.Fault(sensor.Unreliable, "chip.unknown", "code", code))
}

// longRange is one VL53L1X.
type longRange struct {
	chip
	conf   sensor.VL53L1X
	budget time.Duration // for one ranging
	air    sensor.Air    // the chip drifts with it; may be nil
	dev    vl53l1x.Device

	status  byte    // of the last result, masked
	stream  byte    // count of results, as the chip keeps it
	results int     // seen since the start
	tunedC  float64 // air temperature at which ranging was started; NaN when not known
}

// newVL53L1X reads a VL53L1X. air may be nil.
func newVL53L1X(buses *Buses, conf sensor.VL53L1X, air sensor.Air) *sensor.Driver {
	budget, _ := time.ParseDuration(cmp.Or(conf.Budget, "50ms")) // the configuration was checked
	l := &longRange{conf: conf, budget: budget, air: air}
	l.chip = chip{buses: buses, place: conf.I2C, xshut: conf.XShut, wakesAt: vl53l1x.Address, start: l.begin, tap: l.watch,
		move: func(addr uint16) {
			d := vl53l1x.New(&l.chip)
			d.SetAddress(uint8(addr))
		},
		sense: func() (value, sd float64, err error) {
			l.retune()
			return l.rangings(conf.Limits, sensor.ReachOf(&conf), l.shoot)
		},
		fill: func(reg uint16) byte {
			if reg == vl53l1x.GPIO_TIO_HV_STATUS {
				return 0 // "ready", for which the driver waits; elsewhere it waits for a 1
			}
			return 0xff
		}}
	return l.driver()
}

// watch takes the chip's own status and its count of results from the traffic; the
// driver mixes up two of the codes and does not show the count.
func (l *longRange) watch(reg uint16, r []byte) {
	if reg == vl53l1x.RESULT_RANGE_STATUS && len(r) >= 3 {
		l.status = r[0] & 0x1f
		if l.stream != r[2] || l.results == 0 {
			l.results++
		}
		l.stream = r[2]
	}
}

// begin identifies the chip and sets it up.
func (l *longRange) begin(addr uint16) error {
	var id [2]byte
	if err := l.Tx(addr, binary.BigEndian.AppendUint16(nil, vl53l1x.WHO_AM_I), id[:]); err != nil {
		return err
	}
	if binary.BigEndian.Uint16(id[:]) != vl53l1x.CHIP_ID {
		return sensor.Fault(sensor.Missing, "chip.stranger", "address", hex(addr), "chip", "VL53L1X")
	}
	l.dev = vl53l1x.New(&l.chip)
	l.dev.Address = addr
	l.results = 0
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

// The codes that the VL53L1X itself gives with a result (register 0089, lowest five
// bits; the meaning of the raw codes is from memory of ST's light driver, that of the
// numbered outcomes is in UM2356), and one of ours for no result at all.
const (
	longGood = 9
	longNone = 0xff
)

// longFaults returns what the other codes mean.
func longFaults(code byte) map[byte]error {
	broken := sensor.Fault(sensor.ReadFailed, "chip.fault", "code", code)
	near := sensor.Fault(sensor.OutOfRange, "range.near")
	return map[byte]error{
		1: broken, 2: broken, 3: broken, 17: broken, // outcome 5
		4: sensor.Fault(sensor.OutOfRange, "range.dim"),     // outcome 2
		5: sensor.Fault(sensor.OutOfRange, "range.empty"),   // outcome 4
		6: sensor.Fault(sensor.Unreliable, "range.noisy"),   // outcome 1
		7: sensor.Fault(sensor.Unreliable, "range.wrapped"), // outcome 7
		8: near, 13: near,                                   // outcome 3
		12:       sensor.Fault(sensor.Unreliable, "chip.cover"),
		longNone: sensor.Fault(sensor.ReadFailed, "range.slow"),
	}
}

// shoot takes the next result. It refuses the one that a stuck chip gives again, and
// passes over the first ones after the start (outcome 6, and one that was not checked
// for wrapping).
func (l *longRange) shoot() (mm float64, err error) {
	before := l.results
	l.status = longNone
	one := l.dev.Read(true)
	switch {
	case l.status == 18 || l.status == 19 || l.status == longGood && l.stream == 0 && l.results == 1 && before == 0:
		return 0, errSkip
	case l.status == longGood && l.results == before:
		return 0, sensor.Fault(sensor.Stuck, "range.repeats", "n", l.stream)
	}
	return float64(one), meaning(longFaults(l.status), longGood, l.status)
}

// newVL6180X reads a VL6180X.
func newVL6180X(buses *Buses, conf sensor.VL6180X) *sensor.Driver {
	var dev vl6180x.Device
	c := &chip{buses: buses, place: conf.I2C, xshut: conf.XShut, wakesAt: vl6180x.Address}
	c.move = func(addr uint16) {
		d := vl6180x.New(c)
		d.SetAddress(uint8(addr))
	}
	// Identified, and its settings loaded if it has just woken up, before every reading:
	// a chip that lost its supply for a moment answers with wrong settings and says so
	// only here.
	setUp := func() error {
		if dev.Configure(true) || c.err != nil {
			return c.err
		}
		return sensor.Fault(sensor.Missing, "chip.stranger", "address", hex(dev.Address), "chip", "VL6180X")
	}
	c.start = func(addr uint16) error {
		dev = vl6180x.New(c)
		dev.Address = addr
		return setUp()
	}
	c.sense = func() (value, sd float64, err error) {
		if err := setUp(); err != nil {
			return 0, 0, err
		}
		return c.rangings(conf.Limits, sensor.ReachOf(&conf), func() (float64, error) {
			mm := dev.Read()
			code := dev.ReadStatus()
			err := meaning(shortFaults(code), 0, code)
			switch {
			case err == nil && mm == 0: // the driver's answer when the chip was not ready to begin
				err = sensor.Fault(sensor.ReadFailed, "chip.not_ready")
			case err == nil && mm == 255:
				err = sensor.Fault(sensor.OutOfRange, "range.code", "code", 255)
			}
			return float64(mm), err
		})
	}
	return c.driver()
}

// shortFaults returns what the error codes of the VL6180X mean (register 04D, bits 7 to
// 4; datasheet DocID026171 and AN4545). 0 is the good one.
func shortFaults(code byte) map[byte]error {
	broken := sensor.Fault(sensor.ReadFailed, "chip.fault", "code", code)
	nothing := sensor.Fault(sensor.OutOfRange, "range.nothing", "code", code)
	near, far := sensor.Fault(sensor.OutOfRange, "range.near"),
		sensor.Fault(sensor.OutOfRange, "range.far")
	return map[byte]error{1: broken, 2: broken, 3: broken, 4: broken, 5: broken, 6: nothing, 7: nothing, 12: near, 14: near, 13: far, 15: far,
		8:  sensor.Fault(sensor.Unreliable, "chip.cover"),
		11: sensor.Fault(sensor.Unreliable, "chip.light"),
	}
}
