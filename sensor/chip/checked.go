package chip

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tidemark/sensor"
)

// pollPause is the pause between two reads of the same register, so that a
// driver that waits in a tight loop leaves the bus to others.
const pollPause = time.Millisecond

// checkedBus stands between a driver and its bus. The drivers of the time-of-flight
// chips look at no errors and wait without limit: after the first error, or when
// the context ends, it answers every read itself with fill, which lets their loops
// end, and keeps the error for its owner.
type checkedBus struct {
	i2c.Bus
	fill func(register uint16) byte      // answer after a failure; nil = 0xff
	tap  func(register uint16, r []byte) // sees each good read; nil = nobody

	ctx  context.Context
	err  error
	last uint16 // register read last
}

// begin starts a series of transfers that ctx limits.
func (b *checkedBus) begin(ctx context.Context) { b.ctx, b.err, b.last = ctx, nil, 0 }

// Tx does a transfer.
func (b *checkedBus) Tx(addr uint16, w, r []byte) error {
	reg := register(w)
	if b.err == nil {
		b.err = b.transfer(addr, reg, w, r)
	}
	if b.err != nil {
		for i := range r {
			r[i] = 0xff
			if b.fill != nil {
				r[i] = b.fill(reg)
			}
		}
		return b.err
	}
	if b.tap != nil && len(r) > 0 {
		b.tap(reg, r)
	}
	return nil
}

// transfer does a transfer on the real bus, slowly when it only waits.
func (b *checkedBus) transfer(addr, reg uint16, w, r []byte) error {
	if len(r) > 0 && reg == b.last {
		time.Sleep(pollPause)
	}
	b.last = reg
	if len(r) == 0 {
		b.last = 0
	}
	if b.ctx.Err() != nil {
		return sensor.Fault(sensor.ReadFailed, "chip.hangs")
	}
	if err := b.Bus.Tx(addr, w, r); err != nil {
		return sensor.Fault(sensor.Missing, "chip.silent", "address", hex(addr), "error", err)
	}
	return nil
}

// register returns the register that a transfer begins with: 16 bits for two bytes
// or more, else 8.
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

// hex writes an address of a chip.
func hex[T ~uint16 | ~int](address T) string { return fmt.Sprintf("0x%02x", address) }
