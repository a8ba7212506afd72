package sensortest

import (
	"slices"
	"sync"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Device is a chip on a fake I2C bus.
type Device interface {
	// Answers tells whether the chip answers at an address now.
	Answers(addr uint16) bool
	// Tx does a transfer with the chip.
	Tx(w, r []byte) error
}

// Bus is a fake I2C bus. Chips that share an address pull the data line low
// together, as on a real one.
type Bus struct {
	Name string

	mu      sync.Mutex
	devices []Device
	muxes   []*Mux
	Closed  bool
}

// Add puts chips on the bus.
func (b *Bus) Add(d ...Device) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.devices = append(b.devices, d...)
}

// AddMux puts a multiplexer on the bus.
func (b *Bus) AddMux(m *Mux) {
	b.Add(m)
	b.muxes = append(b.muxes, m)
}

// Tx does a transfer with every chip that answers at addr.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	if len(w) == 0 && len(r) == 0 {
		return nil // as the real one: nothing goes over the wire
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.tx(addr, w, r)
}

// tx is Tx with b.mu held.
func (b *Bus) tx(addr uint16, w, r []byte) error {
	for i := range r {
		r[i] = 0xff
	}
	answered := false
	for _, d := range b.reachable() {
		if !d.Answers(addr) {
			continue
		}
		part := make([]byte, len(r))
		if err := d.Tx(w, part); err != nil {
			return err
		}
		answered = true
		for i := range r {
			r[i] &= part[i]
		}
	}
	if !answered {
		return errNak
	}
	return nil
}

// reachable lists the chips on the bus and behind the open ports of its
// multiplexers.
func (b *Bus) reachable() []Device {
	all := slices.Clone(b.devices)
	for _, m := range b.muxes {
		for port := range m.Ports {
			if m.control>>port&1 == 1 {
				all = append(all, m.Ports[port]...)
			}
		}
	}
	return all
}

// String names the bus.
func (b *Bus) String() string { return b.Name }

// SetSpeed is accepted and ignored.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }

// Close marks the bus closed.
func (b *Bus) Close() error {
	b.Closed = true
	return nil
}

// Mux is a PCA9548 multiplexer.
type Mux struct {
	Addr  uint16
	Ports [8][]Device
	Dead  bool // does not answer

	control byte
}

// Answers tells whether it is addressed.
func (m *Mux) Answers(addr uint16) bool { return !m.Dead && addr == m.Addr }

// Tx sets or reads the control register, one bit for each port.
func (m *Mux) Tx(w, r []byte) error {
	if len(w) > 0 {
		m.control = w[len(w)-1]
	}
	for i := range r {
		r[i] = m.control
	}
	return nil
}

// BrownOut makes it forget which port is open.
func (m *Mux) BrownOut() { m.control = 0 }

// Pin is a GPIO line that calls On whenever it is set.
type Pin struct {
	gpio.PinIO
	On func(high bool)

	mu    sync.Mutex
	Level gpio.Level
	Sets  int
}

// NewPin makes a line.
func NewPin(on func(high bool)) *Pin { return &Pin{PinIO: gpio.INVALID, On: on} }

// Out sets the line.
func (p *Pin) Out(l gpio.Level) error {
	p.mu.Lock()
	p.Level = l
	p.Sets++
	p.mu.Unlock()
	if p.On != nil {
		p.On(bool(l))
	}
	return nil
}
