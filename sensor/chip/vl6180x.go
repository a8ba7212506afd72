package chip

import (
	"tinygo.org/x/drivers/vl6180x"

	"tidemark/sensor"
)

// shortRange is one VL6180X.
type shortRange struct {
	conf sensor.VL6180X
	dev  vl6180x.Device
}

// NewVL6180X reads a VL6180X.
func NewVL6180X(buses *Buses, conf sensor.VL6180X) *sensor.Driver {
	return newChip(buses, conf.I2C, conf.XShut, sensor.Distance, &shortRange{conf: conf}, &checkedBus{})
}

func (s *shortRange) wakesAt() uint16 { return vl6180x.Address }

func (s *shortRange) move(b *checkedBus, addr uint16) {
	d := vl6180x.New(b)
	d.SetAddress(uint8(addr))
}

func (s *shortRange) start(b *checkedBus, addr uint16) error {
	s.dev = vl6180x.New(b)
	s.dev.Address = addr
	return s.setUp(b)
}

// setUp identifies the chip and loads its settings if it has just woken up. It is
// called before every reading too, because a chip that lost its supply for a
// moment answers with wrong settings and says so only here.
func (s *shortRange) setUp(b *checkedBus) error {
	if s.dev.Configure(true) || b.err != nil {
		return b.err
	}
	return sensor.Fault(sensor.Missing, "chip.stranger", "address", hex(s.dev.Address), "chip", "VL6180X")
}

func (s *shortRange) sense(b *checkedBus) (value, sd float64, err error) {
	if err := s.setUp(b); err != nil {
		return 0, 0, err
	}
	var mm []float64
	var last error
	for i := 0; i < shots && b.err == nil; i++ {
		one := s.dev.Read()
		if err := shortVerdict(s.dev.ReadStatus(), one); err != nil {
			last = err
			continue
		}
		mm = append(mm, float64(one))
	}
	return summarise(mm, last, s.conf.Limits, sensor.ReachOf(&s.conf))
}

// shortVerdict judges a ranging by its error code (register 04D, bits 7 to 4;
// datasheet DocID026171 and AN4545) and value.
func shortVerdict(code uint8, mm uint16) error {
	switch code {
	case 0:
	case 1, 2, 3, 4, 5:
		return sensor.Fault(sensor.ReadFailed, "chip.fault", "code", code)
	case 6, 7:
		return sensor.Fault(sensor.OutOfRange, "range.nothing", "code", code)
	case 8:
		return sensor.Fault(sensor.Unreliable, "chip.cover")
	case 11:
		return sensor.Fault(sensor.Unreliable, "chip.light")
	case 12, 14:
		return sensor.Fault(sensor.OutOfRange, "range.near")
	case 13, 15:
		return sensor.Fault(sensor.OutOfRange, "range.far")
	default:
		return sensor.Fault(sensor.Unreliable, "chip.unknown", "code", code)
	}
	switch mm {
	case 0: // the driver's answer when the chip was not ready to begin
		return sensor.Fault(sensor.ReadFailed, "chip.not_ready")
	case 255:
		return sensor.Fault(sensor.OutOfRange, "range.code", "code", 255)
	}
	return nil
}
