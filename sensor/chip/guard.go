package chip

import (
	"context"
	"encoding/binary"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"tidemark/sensor"
)

// pollPause is the pause between two reads of the same register, so that a
// driver that waits in a tight loop leaves the bus to others.
const pollPause = time.Millisecond

// guard stands between a driver and its bus. The drivers of the time-of-flight
// chips look at no errors and wait without limit: after the first error, or when
// the context ends, guard answers every read itself with fill, which lets their
// loops end, and keeps the error for its owner.
type guard struct {
	bus  i2c.Bus
	fill func(register uint16) byte // answer after a failure
	tap  func(register uint16, r []byte)

	ctx  context.Context
	err  error
	last uint16 // register read last
}

// begin starts a series of transfers that ctx limits.
func (g *guard) begin(ctx context.Context) {
	g.ctx, g.err, g.last = ctx, nil, 0
}

// Tx does a transfer.
func (g *guard) Tx(addr uint16, w, r []byte) error {
	reg := register(w)
	if g.err == nil {
		g.err = g.transfer(addr, reg, w, r)
	}
	if g.err != nil {
		for i := range r {
			r[i] = g.answer(reg)
		}
		return g.err
	}
	if g.tap != nil && len(r) > 0 {
		g.tap(reg, r)
	}
	return nil
}

// transfer does a transfer on the real bus, slowly when it only waits.
func (g *guard) transfer(addr, reg uint16, w, r []byte) error {
	if len(r) > 0 && reg == g.last {
		time.Sleep(pollPause)
	}
	g.last = reg
	if len(r) == 0 {
		g.last = 0
	}
	if g.ctx.Err() != nil {
		return sensor.Faultf(sensor.ReadFailed, "the chip did not finish in time; it hangs")
	}
	if err := g.bus.Tx(addr, w, r); err != nil {
		return sensor.Faultf(sensor.Missing, "the chip at 0x%02x does not answer (%v); check its wiring and supply", addr, err)
	}
	return nil
}

// answer is what a read gets after a failure.
func (g *guard) answer(reg uint16) byte {
	if g.fill == nil {
		return 0xff
	}
	return g.fill(reg)
}

// register is the register that a transfer begins with: 16 bits for two bytes or
// more, else 8.
func register(w []byte) uint16 {
	switch len(w) {
	case 0:
		return 0
	case 1:
		return uint16(w[0])
	default:
		return binary.BigEndian.Uint16(w)
	}
}

// String names the bus.
func (g *guard) String() string { return g.bus.String() }

// SetSpeed passes the speed on.
func (g *guard) SetSpeed(f physic.Frequency) error { return g.bus.SetSpeed(f) }
