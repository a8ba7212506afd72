package sensortest

import (
	"encoding/binary"
	"math"
	"sync"

	"periph.io/x/conn/v3/onewire"
)

// noProbes is the error of a 1-wire bus without a presence pulse.
type noProbes struct{}

func (noProbes) Error() string { return "no device present" }

// NoDevices says that it is that error.
func (noProbes) NoDevices() bool { return true }

// shorted is the error of a 1-wire bus that is held low.
type shorted struct{}

func (shorted) Error() string { return "bus has a short" }

// IsShorted says that it is that error.
func (shorted) IsShorted() bool { return true }

// BusError says that it is an error of the bus.
func (shorted) BusError() bool { return true }

// OneWire is a 1-wire bus with thermometers.
type OneWire struct {
	mu     sync.Mutex
	Probes []*DS18B20
	Short  bool
}

// String names the bus.
func (b *OneWire) String() string { return "fake 1-wire" }

// Close does nothing.
func (b *OneWire) Close() error { return nil }

// Tx does a reset, and a transfer with the probes that are addressed.
func (b *OneWire) Tx(w, r []byte, _ onewire.Pullup) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.Short {
		return shorted{}
	}
	for i := range r {
		r[i] = 0xff // the pull-up
	}
	present := false
	for _, p := range b.Probes {
		if p.Absent {
			continue
		}
		present = true
		if rest, ok := p.addressed(w); ok {
			p.command(rest, r)
		}
	}
	if !present {
		return noProbes{}
	}
	return nil
}

// Search lists the probes.
func (b *OneWire) Search(bool) ([]onewire.Address, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var all []onewire.Address
	for _, p := range b.Probes {
		if !p.Absent {
			all = append(all, p.Addr)
		}
	}
	if len(all) == 0 {
		return nil, noProbes{}
	}
	return all, nil
}

// DS18B20 is a thermometer.
type DS18B20 struct {
	Addr    onewire.Address
	Celsius float64

	// Faults.
	Absent    bool
	BadCRC    bool
	AllZero   bool
	NoConvert bool // never converts: keeps its value after power-on
	LowPower  bool // not enough power: 127.94 C

	register uint16
	config   byte
	powered  bool
}

// addressed tells whether a transfer is for this probe and what follows.
func (p *DS18B20) addressed(w []byte) ([]byte, bool) {
	switch {
	case len(w) > 1 && w[0] == 0xcc: // all
		return w[1:], true
	case len(w) > 9 && w[0] == 0x55:
		return w[9:], onewire.Address(binary.LittleEndian.Uint64(w[1:])) == p.Addr
	default:
		return nil, false
	}
}

// command carries out a function of the probe.
func (p *DS18B20) command(w, r []byte) {
	if !p.powered { // values after power-on
		p.register, p.config, p.powered = 0x0550, 0x7f, true
	}
	switch w[0] {
	case 0x44:
		p.convert()
	case 0x4e:
		if len(w) > 3 {
			p.config = w[3]
		}
	case 0xbe:
		pad := p.scratchpad()
		copy(r, pad[:])
	}
}

// BrownOut takes the supply away for a moment.
func (p *DS18B20) BrownOut() { p.powered = false }

// convert measures.
func (p *DS18B20) convert() {
	switch {
	case p.NoConvert:
	case p.LowPower:
		p.register = 0x07ff
	default:
		p.register = uint16(int16(math.Round(p.Celsius * 16)))
	}
}

// scratchpad is the nine bytes of an answer.
func (p *DS18B20) scratchpad() (pad [9]byte) {
	copy(pad[:], []byte{byte(p.register), byte(p.register >> 8), 0x4b, 0x46, p.config, 0xff, 0x0c, 0x10})
	pad[8] = onewire.CalcCRC(pad[:8])
	switch {
	case p.AllZero:
		return [9]byte{}
	case p.BadCRC:
		pad[0] ^= 0x10
	}
	return pad
}
