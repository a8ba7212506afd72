package sensortest

import "time"

// VL53L1X is a time-of-flight chip with identity EACC (datasheet DocID031281).
type VL53L1X struct {
	registers
	DistanceMM float64        // what it sees
	Noise      func() float64 // added to each result, mm; nil = none
	Code       byte           // raw status of each result; 0 = 9, complete

	// Faults.
	Hang   bool // finishes no ranging
	Stuck  bool // repeats one result
	NoBoot bool // never ends its start

	Starts int // of ranging

	ranging bool
	since   time.Time
	taken   int  // results cleared
	stream  byte // count of results
}

// NewVL53L1X makes a chip that has just got its supply.
func NewVL53L1X(distanceMM float64) *VL53L1X {
	c := &VL53L1X{DistanceMM: distanceMM}
	c.power = func() {
		c.mem = map[uint16]byte{
			0x010f: 0xea, 0x00e5: 0x01,
			0x0006: 0xbe, 0x0007: 0x9a, // measured oscillator frequency
			0x00de: 0x03, 0x00df: 0xb4, // oscillator calibration
			0x0031: 0x03, // no result yet
		}
		c.ranging, c.taken, c.stream = false, 0, 0
	}
	c.BrownOut()
	return c
}

// Tx does a transfer.
func (c *VL53L1X) Tx(w, r []byte) error { return c.transfer(w, r, c.beforeRead, c.afterWrite) }

// beforeRead brings results up to date.
func (c *VL53L1X) beforeRead(reg uint16) {
	switch reg {
	case 0x010f:
		c.mem[0x0110] = 0xcc
		if c.WrongID {
			c.mem[0x0110] = 0xaa
		}
	case 0x00e5:
		c.mem[reg] = 1
		if c.NoBoot {
			c.mem[reg] = 0
		}
	case 0x0031:
		c.mem[reg] = 1
		if c.ready() {
			c.mem[reg] = 0
		}
	case 0x0089:
		c.result()
	}
}

// ready tells whether a result waits.
func (c *VL53L1X) ready() bool {
	if !c.ranging || c.Hang {
		return false
	}
	period := time.Duration(c.mem[0x006e])<<8 | time.Duration(c.mem[0x006f])
	period = max(period*time.Millisecond/0x3b4, time.Millisecond)
	return int(time.Since(c.since)/period) > c.taken
}

// result writes a result into the registers from 0089.
func (c *VL53L1X) result() {
	mm := c.DistanceMM
	if c.Noise != nil && !c.Stuck {
		mm += c.Noise()
	}
	code := c.Code
	if code == 0 {
		code = 9
	}
	c.mem[0x0089], c.mem[0x008b] = code, c.stream
	c.set16(0x008c, 0x4000)                      // receivers in use
	c.set16(0x0090, 0x0040)                      // light from outside
	c.set16(0x0089+13, uint16(mm*2048/2011+0.5)) // distance before the driver's gain
	c.set16(0x0089+15, 0x0600)                   // signal
}

// afterWrite acts on what was written.
func (c *VL53L1X) afterWrite(reg uint16, v byte) {
	switch {
	case reg == 0x0001:
		c.address = uint16(v)
	case reg == 0x0087:
		c.ranging = v == 0x40
		if c.ranging {
			c.Starts++
		}
		c.since, c.taken, c.stream = time.Now(), 0, 0
	case reg == 0x0086 && v == 1 && c.ranging:
		c.taken = max(c.taken, 0)
		if c.ready() {
			c.taken++
			c.advance()
		}
	}
}

// advance counts a result; after 255 the count goes on at 128.
func (c *VL53L1X) advance() {
	switch {
	case c.Stuck:
	case c.stream == 255:
		c.stream = 128
	default:
		c.stream++
	}
}
