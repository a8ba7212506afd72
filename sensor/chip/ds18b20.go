package chip

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds18b20"

	"tidemark/sensor"
)

// probe is a DS18B20 on a 1-wire bus that this program drives.
type probe struct {
	buses *Buses
	conf  sensor.DS18B20
	spy   *spy
	dev   *ds18b20.Dev // nil until it is set up
}

// NewProbe reads the probe of the configured id, or the only one on the bus. A
// conversion takes 0.75 s.
func NewProbe(buses *Buses, conf sensor.DS18B20) *sensor.Driver {
	p := &probe{buses: buses, conf: conf}
	var guard sensor.PowerOnGuard
	return &sensor.Driver{Quantity: sensor.Temperature, Measure: func(context.Context) (celsius, sd float64, err error) {
		celsius, err = p.measure()
		celsius, err = guard.Check(time.Now(), celsius, conf.OffsetC, err)
		return celsius, 0, err
	}, Again: func() bool {
		p.dev = nil
		return false
	}}
}

// spy passes transfers on and keeps the last scratchpad, because the driver's own
// checks miss the power-on value and a scratchpad of zeros.
type spy struct {
	onewire.Bus
	pad [9]byte
	got bool
}

// Tx does a transfer.
func (s *spy) Tx(w, r []byte, power onewire.Pullup) error {
	err := s.Bus.Tx(w, r, power)
	if err == nil && len(r) == len(s.pad) {
		copy(s.pad[:], r)
		s.got = true
	}
	return err
}

// measure sets the probe up if need be and reads it.
func (p *probe) measure() (float64, error) {
	if p.dev == nil {
		if err := p.start(); err != nil {
			return 0, err
		}
	}
	p.spy.got = false
	return p.spy.judge(p.dev.Sense(&physic.Env{}))
}

// judge makes the temperature of the scratchpad read last, or a fault of what the
// driver met.
func (s *spy) judge(err error) (float64, error) {
	var none onewire.NoDevicesError
	var short onewire.ShortedBusError
	switch {
	case s.got:
		return sensor.ScratchpadC(s.pad)
	case errors.As(err, &none) && none.NoDevices():
		return 0, noProbe()
	case errors.As(err, &short) && short.IsShorted():
		return 0, sensor.Fault(sensor.ReadFailed, "onewire.short")
	default:
		return 0, sensor.Fault(sensor.ReadFailed, "onewire.unread", "error", err)
	}
}

// noProbe is the fault of a bus without probes.
func noProbe() error {
	return sensor.Fault(sensor.Missing, "onewire.silent")
}

// start finds the probe and sets it up.
func (p *probe) start() error {
	bus, err := p.buses.oneWire(p.conf.Bus)
	if err != nil {
		return err
	}
	p.spy = &spy{Bus: bus}
	addr, err := p.find(bus)
	if err != nil {
		return err
	}
	dev, err := ds18b20.New(p.spy, addr, 12)
	if err != nil {
		_, own := p.spy.judge(err)
		return cmp.Or(own, sensor.Fault(sensor.ReadFailed, "probe.setup", "error", err))
	}
	p.dev = dev
	return nil
}

// find returns the bus address of the probe.
func (p *probe) find(bus onewire.Bus) (onewire.Address, error) {
	if p.conf.ID != "" {
		return ParseID(p.conf.ID)
	}
	all, err := bus.Search(false)
	if err != nil {
		_, err = p.spy.judge(err)
		return 0, err
	}
	all = slices.DeleteFunc(all, func(a onewire.Address) bool { return byte(a) != byte(ds18b20.DS18B20) })
	switch len(all) {
	case 0:
		return 0, noProbe()
	case 1:
		return all[0], nil
	}
	var ids []string
	for _, a := range all {
		ids = append(ids, formatID(a))
	}
	return 0, sensor.Fault(sensor.Missing, "probe.several", "n", len(ids), "ids", strings.Join(ids, ", "))
}

// formatID writes a 1-wire address as the kernel does: the family, and the serial
// number in twelve hex digits.
func formatID(a onewire.Address) string {
	return fmt.Sprintf("%02x-%012x", byte(a), uint64(a)>>8&(1<<48-1))
}

// ParseID reads an id as FormatID writes it and adds the checksum that belongs to
// the address.
func ParseID(id string) (onewire.Address, error) {
	family, serial, ok := strings.Cut(id, "-")
	f, err1 := strconv.ParseUint(family, 16, 8)
	n, err2 := strconv.ParseUint(serial, 16, 48)
	if !ok || err1 != nil || err2 != nil || len(serial) != 12 {
		return 0, sensor.Fault(sensor.Missing, "probe.id", "id", id)
	}
	a := f | n<<8
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], a)
	return onewire.Address(a | uint64(onewire.CalcCRC(b[:7]))<<56), nil
}
