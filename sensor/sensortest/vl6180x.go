package sensortest

import "time"

// VL6180X is a short-range time-of-flight chip with identity B4 (datasheet
// DocID026171, AN4545).
type VL6180X struct {
	registers
	DistanceMM float64
	Code       byte          // error code of each ranging, 0 to 15
	Takes      time.Duration // time of one ranging; 0 = 20 ms

	// Faults.
	Hang bool // finishes no ranging

	started time.Time
	running bool
}

// NewVL6180X makes a chip that has just got its supply.
func NewVL6180X(distanceMM float64) *VL6180X {
	c := &VL6180X{DistanceMM: distanceMM}
	c.power = func() { // "fresh out of reset" is set
		c.mem = map[uint16]byte{0x0000: 0xb4, 0x0016: 1, 0x004d: 1}
		c.running = false
	}
	c.BrownOut()
	return c
}

// Tx does a transfer.
func (c *VL6180X) Tx(w, r []byte) error { return c.transfer(w, r, c.beforeRead, c.afterWrite) }

// beforeRead brings results up to date.
func (c *VL6180X) beforeRead(uint16) {
	c.mem[0x0000] = 0xb4
	if c.WrongID {
		c.mem[0x0000] = 0x00
	}
	takes := c.Takes
	if takes == 0 {
		takes = 20 * time.Millisecond
	}
	if c.running && !c.Hang && time.Since(c.started) >= takes {
		c.running = false
		c.mem[0x004f] |= 4
		c.mem[0x004d] = c.Code<<4 | 1
		c.mem[0x0062] = c.value()
	}
}

// value is the distance register: 255 with an error, and wrong by 20 mm without
// the settings that the chip needs after power-on.
func (c *VL6180X) value() byte {
	if c.Code != 0 {
		return 255
	}
	mm := c.DistanceMM
	if c.mem[0x0207] != 1 || c.mem[0x01a7] != 0x1f {
		mm += 20
	}
	return byte(mm)
}

// afterWrite acts on what was written.
func (c *VL6180X) afterWrite(reg uint16, v byte) {
	switch reg {
	case 0x0212:
		c.address = uint16(v & 0x7f)
	case 0x0018:
		c.running, c.started = true, time.Now()
		c.mem[0x004d] &^= 1
	case 0x0015:
		c.mem[0x004f] = 0
	}
}
