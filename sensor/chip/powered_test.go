package chip_test

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/fake"
)

// switched is a sensor that fails until its supply is cut.
type switched struct{ dead bool }

func (s *switched) Read(context.Context) sensor.Reading {
	r := sensor.Reading{Quantity: sensor.Temperature}
	if s.dead {
		return r.Fault(sensor.Missing, "not there")
	}
	return r.Good(24, 0)
}
func (s *switched) Close() error { return nil }

func TestPoweredCutsTheSupplyAfterThreeFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		s := &switched{}
		pin := fake.NewPin(func(high bool) { s.dead = s.dead && high })
		b.pins["GPIO22"] = pin
		p := chip.NewPowered(s, sensor.Temperature, b.hub, "GPIO22", sensor.SystemClock())
		assert.Equal(t, sensor.OK, read(p).Status)
		assert.True(t, bool(pin.Level), "fed from the first reading on")
		s.dead = true
		for range 3 {
			assert.Equal(t, sensor.Missing, read(p).Status)
		}
		assert.Equal(t, sensor.OK, read(p).Status)
		assert.Equal(t, sensor.Recovery{Resets: 1}, p.Recovery())
	})
}

func TestPoweredLeavesADeadSensorAloneMoreAndMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		b.pins["GPIO22"] = fake.NewPin(nil)
		p := chip.NewPowered(&switched{dead: true}, sensor.Temperature, b.hub, "GPIO22", sensor.SystemClock())
		for range 300 {
			read(p)
		}
		assert.Equal(t, int64(7), p.Recovery().Resets, "after 3, 6, 12, 24, 48, 96, 96 faults")
	})
}

func TestPoweredWithoutItsLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		p := chip.NewPowered(&switched{}, sensor.Temperature, b.hub, "GPIO22", sensor.SystemClock())
		r := read(p)
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Equal(t, sensor.Temperature, r.Quantity)
		assert.Contains(t, r.Reason, "GPIO line GPIO22 is not there")
	})
}
