package chip

import (
	"context"
	"encoding/binary"
	"math"
	"time"

	"tinygo.org/x/drivers/vl53l1x"

	"tidemark/sensor"
)

// ToFOptions are those of a time-of-flight chip.
type ToFOptions struct {
	MinMM, MaxMM float64       // limits; 0 = the chip's
	ROI          int           // VL53L1X: receivers a side, 4 to 16; 0 = all
	Budget       time.Duration // VL53L1X: time for one ranging; 0 = 50 ms
	// Air gives the air temperature in Celsius as last measured, for the VL53L1X,
	// which drifts with it. It may be nil.
	Air func() (celsius, humidity float64, ok bool)
}

// shots is how many rangings make one reading.
const shots = 5

// longRange is one VL53L1X.
type longRange struct {
	opt   ToFOptions
	dev   vl53l1x.Device
	reach sensor.Reach

	status  byte    // of the last result, masked
	stream  byte    // count of results, as the chip keeps it
	results int     // seen since the start
	tunedC  float64 // air temperature at which ranging was started; NaN when not known
}

// NewVL53L1X reads a VL53L1X.
func NewVL53L1X(c Common, opt ToFOptions) *Chip {
	if opt.Budget == 0 {
		opt.Budget = 50 * time.Millisecond
	}
	if opt.ROI == 0 {
		opt.ROI = 16
	}
	reach := sensor.Spec{Kind: sensor.KindVL53L1X, ROI: opt.ROI}.Reach()
	return newChip(c, sensor.Distance, &longRange{opt: opt, reach: reach})
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

func (l *longRange) move(g *guard, addr uint16) {
	d := vl53l1x.New(g)
	d.SetAddress(uint8(addr))
}

func (l *longRange) start(g *guard, addr uint16) error {
	l.dev = vl53l1x.New(g)
	l.dev.Address = addr
	l.results = 0
	if err := l.identify(g, addr); err != nil {
		return err
	}
	if !l.dev.Configure(true) {
		return sensor.Faultf(sensor.ReadFailed, "the VL53L1X at 0x%02x does not start up", addr)
	}
	l.dev.SetDistanceMode(vl53l1x.SHORT)
	if !l.dev.SetMeasurementTimingBudget(uint32(l.opt.Budget.Microseconds())) {
		return sensor.Faultf(sensor.ReadFailed, "the VL53L1X refuses a timing budget of %s", l.opt.Budget)
	}
	if err := l.dev.SetROI(uint8(l.opt.ROI), uint8(l.opt.ROI)); err != nil {
		return sensor.Faultf(sensor.ReadFailed, "the VL53L1X refuses its region of interest: %v", err)
	}
	l.dev.SetTimeout(uint32(4*l.opt.Budget.Milliseconds()) + 50)
	l.run()
	return nil
}

// run starts ranging. The chip tunes itself to its temperature at the first
// result.
func (l *longRange) run() {
	l.tunedC = l.airC()
	l.results = 0
	l.dev.StartContinuous(uint32(l.opt.Budget.Milliseconds()) + 5)
}

// airC is the air temperature in Celsius, NaN when not known.
func (l *longRange) airC() float64 {
	if l.opt.Air != nil {
		if c, _, ok := l.opt.Air(); ok {
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
func (l *longRange) identify(g *guard, addr uint16) error {
	var id [2]byte
	if g.Tx(addr, []byte{vl53l1x.WHO_AM_I >> 8, vl53l1x.WHO_AM_I & 0xff}, id[:]) != nil {
		return g.err
	}
	if got := binary.BigEndian.Uint16(id[:]); got != vl53l1x.CHIP_ID {
		return sensor.Faultf(sensor.Missing, "the chip at 0x%02x says it is %04x, a VL53L1X says %04x", addr, got, vl53l1x.CHIP_ID)
	}
	return nil
}

func (l *longRange) sense(_ context.Context, g *guard) (value, sd float64, err error) {
	l.retune()
	var mm []float64
	var last error
	for tries := 0; tries < shots+2 && len(mm) < shots && g.err == nil; tries++ {
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
	return summarise(mm, last, l.opt, l.reach)
}

// summarise makes one reading of the rangings that were good.
func summarise(mm []float64, last error, opt ToFOptions, reach sensor.Reach) (value, sd float64, err error) {
	if 2*len(mm) < shots {
		if last == nil {
			last = sensor.Faultf(sensor.ReadFailed, "the chip gives too few results")
		}
		return 0, 0, last
	}
	value, _, sd = sensor.Summary(mm, 1)
	value, err = sensor.CheckMM(value, opt.MinMM, opt.MaxMM, reach.MinMM, reach.MaxMM)
	return value, sd, err
}
