package source

import (
	"encoding/binary"
	"errors"
	"math"
	"os"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"

	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/sensortest"
)

// The doubles of chips and lines follow their datasheets only as far as the drivers in
// use need it, and keep the time of a synctest bubble. They are no hardware: that a test
// with them passes proves the program's logic, not the wiring.

// bench is a machine of the test's own, with chips on its buses.
type bench struct {
	t     *testing.T
	root  string // stands in for /sys
	bus   *fakeBus
	one   *fakeOneWire
	pins  map[string]*fakePin
	pair  *fakePair
	head  *fakeHead
	buses *Buses
	air   sensor.Air
}

// onBench runs a test in a bubble.
func onBench(t *testing.T, f func(b *bench)) {
	root := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := &bench{t: t, root: root, bus: &fakeBus{name: t.Name()}, one: &fakeOneWire{}, pins: map[string]*fakePin{}, buses: NewBuses()}
		b.buses.OpenI2C = func(string) (i2c.BusCloser, error) { return b.bus, nil }
		b.buses.openOneWire = func(string) (onewire.BusCloser, error) { return b.one, nil }
		b.buses.openLines = func(string, int, int) (lines, error) { return b.pair, nil }
		b.buses.openPort = func(string, int) (port, error) { return b.head.open() }
		b.buses.pin = func(name string) (gpio.PinOut, error) {
			if p, ok := b.pins[name]; ok {
				return p, nil
			}
			return nil, sensor.Fault(sensor.Missing, "gpio.gone", "line", name)
		}
		f(b)
		time.Sleep(time.Minute) // lets readings that were given up end
		require.NoError(t, b.buses.Close())
	})
}

// put writes a kernel file; drop removes one, or a folder.
func (b *bench) put(path, text string) { sensortest.Put(b.t, b.root, path, text) }

func (b *bench) drop(path string) { require.NoError(b.t, os.RemoveAll(b.root+"/"+path)) }

// open opens a source as the service does.
func (b *bench) open(c sensor.Config, q sensor.Quantity) *sensor.Driver {
	src, err := Open(c, q, Env{SysfsRoot: b.root, Buses: b.buses, Air: b.air})
	require.NoError(b.t, err)
	return src.(*sensor.Driver)
}

// What a bus reports when nobody is there, and a device that was pulled out.
var (
	errNak  = errors.New("remote I/O error")
	errGone = errors.New("no such device")
)

// fakeBus is an I2C bus. Chips that share an address pull the data line low together.
type fakeBus struct {
	name  string
	chips []*fakeChip
	mux   uint16 // address of its multiplexer; 0 = none
	open  byte   // ports of it, a bit each
}

func (b *fakeBus) String() string                  { return b.name }
func (b *fakeBus) SetSpeed(physic.Frequency) error { return nil }
func (b *fakeBus) Close() error                    { return nil }

func (b *fakeBus) Tx(addr uint16, w, r []byte) error {
	switch {
	case len(w) == 0 && len(r) == 0:
		return nil // nothing goes over the wire
	case b.mux != 0 && addr == b.mux:
		if len(w) > 0 {
			b.open = w[0]
		}
		copy(r, []byte{b.open})
		return nil
	}
	for i := range r {
		r[i] = 0xff
	}
	err := errNak
	for _, c := range b.chips {
		if c.off || c.Nak || addr != c.addr || c.port != 0 && b.open&c.port == 0 {
			continue
		}
		part := make([]byte, len(r))
		if !c.tx(w, part) {
			return errNak
		}
		err = nil
		for i := range r {
			r[i] &= part[i]
		}
	}
	return err
}

// fakeChip is a chip: a memory, and what reading and writing it do.
type fakeChip struct {
	home, addr uint16 // after power-on, and now
	port       byte   // of the multiplexer, a bit; 0 = on the bus itself
	wide       bool   // registers have 16-bit addresses
	mem        map[uint16]byte
	wake       func() // fills the memory after power-on
	read       func(reg uint16)
	wrote      func(reg uint16, v byte)

	mm      float64 // that it sees
	code    byte    // its own code of a result; 0 = good
	takes   time.Duration
	starts  int  // of ranging
	Nak     bool // answers nothing
	Other   bool // says it is another chip
	Hang    bool // ends no measurement
	Stuck   bool // repeats one result
	NoBoot  bool // never ends its start
	off     bool
	started time.Time
	running bool
	taken   int  // results cleared
	stream  byte // count of results
}

// at puts the chip behind a port of the multiplexer.
func (c *fakeChip) at(port int) *fakeChip { c.port = 1 << port; return c }

// brownOut takes the supply away for a moment: settings and address are lost.
func (c *fakeChip) brownOut() {
	c.addr, c.mem, c.running = c.home, map[uint16]byte{}, false
	c.wake()
}

// shut is the shutdown pin: low holds the chip in reset.
func (c *fakeChip) shut(high bool) {
	if c.off = !high; c.off {
		c.brownOut()
	}
}

// tx does a transfer; false is a refusal.
func (c *fakeChip) tx(w, r []byte) bool {
	reg := uint16(0)
	switch {
	case c.wide && len(w) == 1:
		return false
	case c.wide && len(w) > 1:
		reg = binary.BigEndian.Uint16(w)
		for i, v := range w[2:] {
			c.mem[reg+uint16(i)] = v
			c.wrote(reg+uint16(i), v)
		}
	case !c.wide && len(r) == 0: // pairs of register and value
		for i := 0; i+1 < len(w); i += 2 {
			c.mem[uint16(w[i])] = w[i+1]
		}
	case len(w) > 0:
		reg = uint16(w[0])
	}
	if len(r) > 0 {
		c.read(reg)
	}
	for i := range r {
		r[i] = c.mem[reg+uint16(i)]
	}
	return true
}

// set puts values into registers.
func (c *fakeChip) set(regs map[uint16]byte) {
	for reg, v := range regs {
		c.mem[reg] = v
	}
}

// fakeLong is a VL53L1X (datasheet DocID031281) that has just got its supply.
func fakeLong(mm float64) *fakeChip {
	c := &fakeChip{home: 0x29, wide: true, mm: mm}
	c.wake = func() {
		c.set(map[uint16]byte{0x010f: 0xea, 0x0110: 0xcc, 0x0006: 0xbe, 0x0007: 0x9a, 0x00de: 0x03, 0x00df: 0xb4}) // identity, oscillator
		c.taken, c.stream = 0, 0
	}
	ready := func() bool {
		period := time.Duration(binary.BigEndian.Uint16([]byte{c.mem[0x006e], c.mem[0x006f]})) * time.Millisecond / 0x3b4
		return c.running && !c.Hang && int(time.Since(c.started)/max(period, time.Millisecond)) > c.taken
	}
	bit := func(b bool) byte { return map[bool]byte{true: 1}[b] }
	c.read = func(reg uint16) {
		raw := uint16(c.mm*2048/2011 + 0.5) // before the driver's gain
		code := c.code
		if code == 0 {
			code = 9
		}
		c.set(map[uint16]byte{0x0110: 0xcc - 0x22*bit(c.Other), 0x00e5: bit(!c.NoBoot), 0x0031: bit(!ready()),
			0x0089: code, 0x008b: c.stream, 0x008c: 0x40, 0x0091: 0x40, 0x0096: byte(raw >> 8), 0x0097: byte(raw), 0x0098: 6})
	}
	c.wrote = func(reg uint16, v byte) {
		switch {
		case reg == 0x0001:
			c.addr = uint16(v)
		case reg == 0x0087:
			if c.running = v == 0x40; c.running {
				c.starts++
			}
			c.started, c.taken, c.stream = time.Now(), 0, 0
		case reg == 0x0086 && v == 1 && ready():
			c.taken++
			if !c.Stuck {
				c.stream++
			}
			if c.stream == 0 { // after 255 the count goes on at 128
				c.stream = 128
			}
		}
	}
	c.brownOut()
	return c
}

// fakeShort is a VL6180X (datasheet DocID026171, AN4545) that has just got its supply.
func fakeShort(mm float64) *fakeChip {
	c := &fakeChip{home: 0x29, wide: true, mm: mm, takes: 20 * time.Millisecond}
	c.wake = func() { c.set(map[uint16]byte{0x0016: 1, 0x004d: 1}) } // fresh out of reset
	c.read = func(uint16) {
		c.mem[0x0000] = 0xb4
		if c.Other {
			c.mem[0x0000] = 0
		}
		if c.running && !c.Hang && time.Since(c.started) >= c.takes {
			c.running = false
			seen := byte(c.mm)
			switch {
			case c.code != 0:
				seen = 255
			case c.mem[0x0207] != 1 || c.mem[0x01a7] != 0x1f: // without the settings it needs
				seen += 20
			}
			c.set(map[uint16]byte{0x004f: c.mem[0x004f] | 4, 0x004d: c.code<<4 | 1, 0x0062: seen})
		}
	}
	c.wrote = func(reg uint16, v byte) {
		switch reg {
		case 0x0212:
			c.addr = uint16(v & 0x7f)
		case 0x0018:
			c.running, c.started = true, time.Now()
			c.mem[0x004d] &^= 1
		case 0x0015:
			c.mem[0x004f] = 0
		}
	}
	c.brownOut()
	return c
}

// fakeAir is a BME280. Its trimming and its raw temperature are those of the worked
// example in the BMP280 datasheet (T1 27504, T2 26435, T3 -1000, raw 519888, which gives
// 25.08 C: from memory).
func fakeAir(addr uint16) *fakeChip {
	c := &fakeChip{home: addr, code: 0x60}
	c.wake = func() {
		for i, v := range []int16{27504, 26435, -1000, -29059, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
			c.set(map[uint16]byte{0x88 + 2*uint16(i): byte(v), 0x89 + 2*uint16(i): byte(uint16(v) >> 8)})
		}
		c.set(map[uint16]byte{0xa1: 75, 0xe1: 0x6a, 0xe2: 0x01, 0xe4: 0x14, 0xe5: 0x2b, 0xe6: 0x03, 0xe7: 0x1e}) // H1 to H6
	}
	c.read = func(uint16) {
		c.set(map[uint16]byte{0xd0: c.code, 0xf3: 0, 0xf7: 0x65, 0xf8: 0x5a, 0xf9: 0xc0, 0xfa: 519888 >> 12, 0xfb: 519888 >> 4 & 0xff, 0xfc: 519888 << 4 & 0xff, 0xfd: 27000 >> 8, 0xfe: 27000 & 0xff})
		if c.Hang {
			c.mem[0xf3] = 8
		}
		if c.mem[0xf2] == 0 { // humidity is off
			c.mem[0xfd], c.mem[0xfe] = 0x80, 0
		}
	}
	c.brownOut()
	return c
}

// fakePin is a GPIO line that calls on whenever it is set.
type fakePin struct {
	gpio.PinIO
	on func(high bool)
}

func (p *fakePin) Out(l gpio.Level) error { p.on(bool(l)); return nil }

// pin adds a line to the machine.
func (b *bench) pin(name string, on func(high bool)) {
	b.pins[name] = &fakePin{gpio.INVALID, on}
}

// busError is an error of a 1-wire bus: short or without a presence pulse.
type busError bool

func (e busError) Error() string {
	return map[bool]string{true: "bus has a short", false: "no device present"}[bool(e)]
}
func (e busError) IsShorted() bool { return bool(e) }
func (e busError) NoDevices() bool { return !bool(e) }
func (e busError) BusError() bool  { return true }

// fakeOneWire is a 1-wire bus with thermometers.
type fakeOneWire struct {
	probes []*fakeProbe
	Short  bool
}

func (b *fakeOneWire) String() string { return "1-wire of the test" }
func (b *fakeOneWire) Close() error   { return nil }

func (b *fakeOneWire) Tx(w, r []byte, _ onewire.Pullup) error {
	if all, err := b.Search(false); b.Short || len(all) == 0 {
		return errors.Join(err, busError(b.Short))
	}
	for i := range r {
		r[i] = 0xff // the pull-up
	}
	for _, p := range b.probes {
		switch {
		case p.Absent:
		case w[0] == 0xcc: // all
			p.command(w[1:], r)
		case w[0] == 0x55 && onewire.Address(binary.LittleEndian.Uint64(w[1:])) == p.addr:
			p.command(w[9:], r)
		}
	}
	return nil
}

func (b *fakeOneWire) Search(bool) (all []onewire.Address, err error) {
	for _, p := range b.probes {
		if !p.Absent {
			all = append(all, p.addr)
		}
	}
	if len(all) == 0 {
		return nil, busError(false)
	}
	return all, nil
}

// fakeProbe is a DS18B20.
type fakeProbe struct {
	addr     onewire.Address
	celsius  float64
	register uint16
	config   byte
	powered  bool

	Absent, BadCRC, AllZero bool
	NoConvert               bool // keeps its value after power-on
	LowPower                bool // not enough power: 127.94 C
}

// probe puts a thermometer on the 1-wire bus.
func (b *bench) probe(id string, celsius float64) *fakeProbe {
	addr, err := address(id)
	require.NoError(b.t, err)
	p := &fakeProbe{addr: addr, celsius: celsius}
	b.one.probes = append(b.one.probes, p)
	return p
}

// command carries out a function of the probe.
func (p *fakeProbe) command(w, r []byte) {
	if !p.powered { // values after power-on
		p.register, p.config, p.powered = 0x0550, 0x7f, true
	}
	switch w[0] {
	case 0x44:
		switch {
		case p.LowPower:
			p.register = 0x07ff
		case !p.NoConvert:
			p.register = uint16(int16(math.Round(p.celsius * 16)))
		}
	case 0x4e:
		p.config = w[3]
	case 0xbe:
		pad := scratchpad(p.register, p.config)
		if p.BadCRC {
			pad[0] ^= 0x10
		}
		if p.AllZero {
			pad = [9]byte{}
		}
		copy(r, pad[:])
	}
}

// scratchpad is the nine bytes of a probe with a register and a configuration byte.
func scratchpad(register uint16, config byte) (p [9]byte) {
	copy(p[:], []byte{byte(register), byte(register >> 8), 0x4b, 0x46, config, 0xff, 0x0c, 0x10})
	p[8] = onewire.CalcCRC(p[:8])
	return p
}

// fakePair is an HC-SR04 on two lines (timing: HC-SR04 user guide).
type fakePair struct {
	mm, speedMPS float64
	noise        func() float64 // added to each distance, mm; nil = none

	Dead      bool // no answer to the trigger
	NoEcho    bool // pulse of 38 ms
	StuckHigh bool // pulse without end
	Swapped   bool // edges out of order
	Broken    bool // the lines themselves fail

	pings, short, soon, closed int // short triggers under 10 us; soon within 60 ms of the last
	high, last                 time.Time
	edges                      []time.Time // to come: up, down
}

func (h *fakePair) trigger(high bool) (time.Duration, error) {
	now := time.Now()
	at := time.Duration(now.UnixNano())
	switch {
	case h.Broken:
		return 0, errGone
	case high:
		h.high = now
		return at, nil
	case now.Sub(h.high) < 10*time.Microsecond:
		h.short++
		return at, nil
	case now.Sub(h.last) < 60*time.Millisecond:
		h.soon++
	}
	h.last = now
	h.pings++
	mm := h.mm
	if h.noise != nil {
		mm += h.noise()
	}
	up := now.Add(450 * time.Microsecond)
	down := up.Add(time.Duration(2 * mm / 1000 / h.speedMPS * float64(time.Second)))
	switch {
	case h.Dead:
		h.edges = nil
	case h.StuckHigh:
		h.edges = []time.Time{up}
	case h.Swapped:
		h.edges = []time.Time{down, up}
	case h.NoEcho:
		h.edges = []time.Time{up, up.Add(38 * time.Millisecond)}
	default:
		h.edges = []time.Time{up, down}
	}
	return at, nil
}

func (h *fakePair) edge(until time.Time) (rising bool, at time.Duration, err error) {
	if len(h.edges) == 0 {
		time.Sleep(time.Until(until))
		return false, 0, os.ErrDeadlineExceeded
	}
	next, up := h.edges[0], len(h.edges) == 2 || h.StuckHigh
	h.edges = h.edges[1:]
	time.Sleep(time.Until(next))
	return up, time.Duration(next.UnixNano()), nil
}

func (h *fakePair) Close() error { h.closed++; return nil }

// fakeHead is an ultrasonic head that sends a frame every tenth of a second.
type fakeHead struct {
	mm     uint16
	text   bool   // R0123 instead of binary frames
	old    []byte // from before
	noise  []byte // sent before each frame
	Silent bool
	BadSum bool
	Gone   bool // pulled out
}

func (s *fakeHead) open() (port, error) {
	if s.Gone {
		return nil, sensor.Fault(sensor.Missing, "serial.gone", "device", "/dev/serial0")
	}
	return s, nil
}

func (s *fakeHead) ResetInputBuffer() error {
	if s.Gone {
		return errGone
	}
	s.old = nil
	return nil
}

func (s *fakeHead) Read(p []byte) (int, error) {
	time.Sleep(100 * time.Millisecond)
	switch {
	case s.Gone:
		return 0, errGone
	case s.Silent:
		return 0, nil
	}
	hi, lo := byte(s.mm>>8), byte(s.mm)
	frame := []byte{0xff, hi, lo, 0xff + hi + lo}
	if s.BadSum {
		frame[3]++
	}
	if s.text {
		frame = []byte{'R', '0' + byte(s.mm/1000), '0' + byte(s.mm/100%10), '0' + byte(s.mm/10%10), '0' + byte(s.mm%10), '\r'}
	}
	out := slices.Concat(s.old, s.noise, frame)
	s.old = nil
	return copy(p, out), nil
}

func (s *fakeHead) Close() error { return nil }
