package sensortest

import "sync"

// BME280 is an air chip with identity 60. Its trimming and its raw temperature
// are those of the worked example in the BMP280 datasheet (T1 27504, T2 26435, T3
// -1000, raw 519888, which gives 25.08 C: from memory).
type BME280 struct {
	mu   sync.Mutex
	Addr uint16
	RawT uint32 // 20 bits
	RawH uint16
	ID   byte

	// Faults.
	Nak  bool
	Busy bool // never ends a measurement

	mem [256]byte
}

// NewBME280 makes a chip at an address.
func NewBME280(addr uint16) *BME280 {
	c := &BME280{Addr: addr, RawT: 519888, RawH: 27000, ID: 0x60}
	c.BrownOut()
	return c
}

// BrownOut takes the supply away for a moment: the settings are lost.
func (c *BME280) BrownOut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.mem = [256]byte{}
	put := func(reg int, v int16) { c.mem[reg], c.mem[reg+1] = byte(v), byte(uint16(v)>>8) }
	for i, v := range []int16{27504, 26435, -1000, -29059, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
		put(0x88+2*i, v)
	}
	c.mem[0xa1] = 75   // H1
	put(0xe1, 362)     // H2
	c.mem[0xe3] = 0    // H3
	c.mem[0xe4] = 0x14 // H4 high
	c.mem[0xe5] = 0x2b // H4 and H5 low
	c.mem[0xe6] = 0x03 // H5 high
	c.mem[0xe7] = 0x1e // H6
	c.mem[0xf2] = 0x00 // humidity off
	c.mem[0xf4] = 0x00 // asleep
}

// Answers tells whether it is addressed.
func (c *BME280) Answers(addr uint16) bool { return addr == c.Addr }

// Tx does a transfer. Writes are pairs of register and value.
func (c *BME280) Tx(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.Nak {
		return errNak
	}
	if len(r) == 0 {
		for i := 0; i+1 < len(w); i += 2 {
			c.mem[w[i]] = w[i+1]
		}
		return nil
	}
	c.refresh()
	copy(r, c.mem[w[0]:])
	return nil
}

// refresh puts identity, status and raw values into the memory.
func (c *BME280) refresh() {
	c.mem[0xd0] = c.ID
	c.mem[0xf3] = 0
	if c.Busy {
		c.mem[0xf3] = 8
	}
	c.mem[0xf7], c.mem[0xf8], c.mem[0xf9] = 0x65, 0x5a, 0xc0
	c.mem[0xfa], c.mem[0xfb], c.mem[0xfc] = byte(c.RawT>>12), byte(c.RawT>>4), byte(c.RawT<<4)
	h := c.RawH
	if c.mem[0xf2] == 0 {
		h = 0x8000 // skipped
	}
	c.mem[0xfd], c.mem[0xfe] = byte(h>>8), byte(h)
}
