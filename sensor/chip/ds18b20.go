package chip

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds18b20"

	"tidemark/sensor"
)

// Probe is a DS18B20 on a 1-wire bus that this program drives.
type Probe struct {
	hub     *Hub
	busName string
	power   string
	id      string
	offsetC float64
	clock   sensor.Clock

	turn   sensor.Turn
	guard  sensor.PowerOnGuard
	spy    *spy
	dev    *ds18b20.Dev
	faults int

	restarts, resets atomic.Int64
}

// NewProbe reads the probe with the given id, such as 28-0123456789ab, or the
// only one on the bus when id is empty. power names a GPIO line that feeds it, or
// is empty. offsetC is added to each value.
func NewProbe(hub *Hub, bus, id, power string, offsetC float64, clock sensor.Clock) *Probe {
	return &Probe{hub: hub, busName: bus, id: id, power: power, offsetC: offsetC, clock: clock, turn: sensor.NewTurn()}
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

// Recovery tells how often the probe was brought back.
func (p *Probe) Recovery() sensor.Recovery {
	return sensor.Recovery{Restarts: p.restarts.Load(), Resets: p.resets.Load()}
}

// Close leaves the probe as it is; its bus is closed by the Hub.
func (p *Probe) Close() error { return nil }

// Read makes a conversion, which takes 0.75 s.
func (p *Probe) Read(ctx context.Context) sensor.Reading {
	var celsius float64
	err := p.turn.Do(ctx, func() (err error) {
		celsius, err = p.measure()
		p.count(err)
		return err
	})
	r := p.clock.Stamp(sensor.Temperature)
	if err != nil {
		return r.Failed(err)
	}
	if !p.guard.Believe(celsius, r.Mono) {
		return r.Fault(sensor.PowerOn, "the probe says exactly 85.000 C, its value after power-on: no measurement was made; check its supply and pull-up")
	}
	return r.Good(celsius+p.offsetC, sensor.DS18B20StepSD)
}

// measure sets the probe up if need be and reads it.
func (p *Probe) measure() (float64, error) {
	if p.dev == nil {
		if err := p.start(); err != nil {
			return 0, err
		}
	}
	p.spy.got = false
	err := p.dev.Sense(&physic.Env{})
	return p.spy.judge(err)
}

// judge makes the temperature of the scratchpad read last, or a fault of what the
// driver met.
func (s *spy) judge(err error) (float64, error) {
	if s.got {
		return sensor.ScratchpadC(s.pad)
	}
	var none onewire.NoDevicesError
	var short onewire.ShortedBusError
	switch {
	case errors.As(err, &none) && none.NoDevices():
		return 0, sensor.Faultf(sensor.Missing, "no probe answers on the 1-wire bus; check its wiring")
	case errors.As(err, &short) && short.IsShorted():
		return 0, sensor.Faultf(sensor.ReadFailed, "the 1-wire bus is shorted: its data wire touches ground")
	case err == nil:
		return 0, sensor.Faultf(sensor.ReadFailed, "the probe's answer was not read")
	default:
		return 0, sensor.Faultf(sensor.ReadFailed, "1-wire bus: %v", err)
	}
}

// count keeps the faults in a row and sets the probe up anew after too many.
func (p *Probe) count(err error) {
	if err == nil {
		p.faults = 0
		return
	}
	p.faults++
	if p.faults >= faultsToRestart {
		p.dev = nil
	}
}

// start powers the probe, again if it failed before, and finds it.
func (p *Probe) start() error {
	if err := p.feed(); err != nil {
		return err
	}
	bus, err := p.hub.oneWire(p.busName)
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
		if _, own := p.spy.judge(err); own != nil {
			return own
		}
		return sensor.Faultf(sensor.ReadFailed, "the probe cannot be set up: %v", err)
	}
	p.dev = dev
	return nil
}

// feed switches the supply line, if one is wired.
func (p *Probe) feed() error {
	again := p.faults >= faultsToRestart
	if again {
		p.restarts.Add(1)
	}
	if p.power == "" {
		return nil
	}
	pin, err := p.hub.Pin(p.power)
	if err != nil {
		return err
	}
	if again {
		p.resets.Add(1)
		err = pin.Out(gpio.Low)
		time.Sleep(offTime)
	}
	if err := errors.Join(err, pin.Out(gpio.High)); err != nil {
		return sensor.Faultf(sensor.ReadFailed, "GPIO line %s cannot be set: %v", p.power, err)
	}
	time.Sleep(powerTime)
	return nil
}

// find gives the bus address of the probe.
func (p *Probe) find(bus onewire.Bus) (onewire.Address, error) {
	if p.id != "" {
		return ParseID(p.id)
	}
	all, err := bus.Search(false)
	if err != nil {
		_, err := (&spy{}).judge(err)
		return 0, err
	}
	var ids []string
	var last onewire.Address
	for _, a := range all {
		if byte(a) == byte(ds18b20.DS18B20) {
			ids = append(ids, FormatID(a))
			last = a
		}
	}
	switch len(ids) {
	case 0:
		return 0, sensor.Faultf(sensor.Missing, "no probe answers on the 1-wire bus; check its wiring")
	case 1:
		return last, nil
	default:
		return 0, sensor.Faultf(sensor.Missing, "%d probes answer; name one by its id (%s)", len(ids), strings.Join(ids, ", "))
	}
}

// FormatID writes a 1-wire address as the kernel does: the family, and the serial
// number in twelve hex digits.
func FormatID(a onewire.Address) string {
	return fmt.Sprintf("%02x-%012x", byte(a), uint64(a)>>8&(1<<48-1))
}

// ParseID reads an id as FormatID writes it and adds the checksum that belongs to
// the address.
func ParseID(id string) (onewire.Address, error) {
	family, serial, ok := strings.Cut(id, "-")
	f, err1 := strconv.ParseUint(family, 16, 8)
	n, err2 := strconv.ParseUint(serial, 16, 48)
	if !ok || err1 != nil || err2 != nil || len(serial) != 12 {
		return 0, sensor.Faultf(sensor.Missing, "%q is not a probe id; expected a form like 28-0123456789ab", id)
	}
	a := f | n<<8
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], a)
	return onewire.Address(a | uint64(sensor.CRC8(b[:7]))<<56), nil
}
