package sensortest

import (
	"encoding/binary"
	"sync"
)

// registers is the memory of a chip whose registers have 16-bit addresses.
type registers struct {
	mu      sync.Mutex
	address uint16
	off     bool   // held in shutdown or without supply
	power   func() // what a loss of the supply does, with mu held

	Nak     bool // fault: answers nothing
	WrongID bool // fault: says it is another chip
	mem     map[uint16]byte
	written map[uint16]byte // last value that the driver wrote
}

// BrownOut takes the supply away for a moment: settings and address are lost.
func (c *registers) BrownOut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.address, c.written = 0x29, map[uint16]byte{}
	c.power()
}

// Shut is the shutdown pin: low holds the chip in reset.
func (c *registers) Shut(high bool) {
	c.mu.Lock()
	c.off = !high
	c.mu.Unlock()
	if !high {
		c.BrownOut()
	}
}

// Answers tells whether the chip is awake and addressed.
func (c *registers) Answers(addr uint16) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return !c.off && addr == c.address
}

// Address is where the chip answers now.
func (c *registers) Address() uint16 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.address
}

// Written gives the last value written to a register.
func (c *registers) Written(reg uint16) (value byte, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	value, ok = c.written[reg]
	return value, ok
}

// transfer writes the bytes after the register address, calling onWrite for each,
// or reads, calling onRead before.
func (c *registers) transfer(w, r []byte, onRead func(reg uint16), onWrite func(reg uint16, v byte)) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.Nak || len(w) == 1 {
		return errNak
	}
	reg := uint16(0)
	if len(w) >= 2 {
		reg = binary.BigEndian.Uint16(w)
		for i, v := range w[2:] {
			c.mem[reg+uint16(i)] = v
			c.written[reg+uint16(i)] = v
			onWrite(reg+uint16(i), v)
		}
	}
	if len(r) > 0 {
		onRead(reg)
	}
	for i := range r {
		r[i] = c.mem[reg+uint16(i)]
	}
	return nil
}

// set16 sets a register of 16 bits.
func (c *registers) set16(reg, v uint16) {
	c.mem[reg], c.mem[reg+1] = byte(v>>8), byte(v)
}
