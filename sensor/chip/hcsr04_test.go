package chip_test

import (
	"encoding/binary"
	"math/rand/v2"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/sound"
)

// echoOf reads a pair on lines of the test.
func echoOf(dev *sensortest.HCSR04, air sensor.Air, conf sensor.HCSR04) *chip.HCSR04 {
	return chip.NewHCSR04(func() (chip.Lines, error) { return dev, nil }, conf, air, sensor.SystemClock())
}

// at gives an Air function that knows temperature and humidity.
func at(celsius, humidity float64) func() (float64, float64, bool) {
	return func() (float64, float64, bool) { return celsius, humidity, true }
}

func TestHCSR04(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sound.Air{Celsius: 25, Humidity: 0.5}.SpeedMPS()
		dice := rand.New(rand.NewPCG(1, 1))
		dev := &sensortest.HCSR04{DistanceMM: 152, SpeedMPS: c, Noise: func() float64 { return 1.5 * dice.NormFloat64() }}
		s := echoOf(dev, at(25, 0.5), sensor.HCSR04{Limits: sensor.Limits{OffsetMM: -2}})
		r := read(s)
		require.Equal(t, sensor.OK, r.Status, r.Reason)
		assert.InDelta(t, 150, r.Value, 1.5)
		assert.InDelta(t, 0.57, r.SD, 0.4, "1.5 mm over 11 pings")
		assert.Equal(t, 11, dev.Pings)
		assert.Zero(t, dev.ShortPulses, "trigger of 10 us at least (user guide)")
		assert.Zero(t, dev.TooSoon, "60 ms between pings (user guide)")
		require.NoError(t, s.Close())
		assert.Equal(t, 1, dev.Closed)
	})
}

// The user guide's rule of width in us / 58 = cm stands for 344.8 m/s.
func TestRuleOfTheUserGuide(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dev := &sensortest.HCSR04{DistanceMM: 100, SpeedMPS: 344.83}
		s := echoOf(dev, nil, sensor.HCSR04{Sound: sensor.Sound{AirC: 21.2}})
		assert.InEpsilon(t, 100, read(s).Value, 0.005)
	})
}

func TestCarbonDioxideIsCorrectedWhenTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gas := sound.Air{Celsius: 24, Humidity: 0.9, CO2: 0.1}
		dev := &sensortest.HCSR04{DistanceMM: 150, SpeedMPS: gas.SpeedMPS()}
		plain := read(echoOf(dev, at(24, 0.9), sensor.HCSR04{}))
		assert.InDelta(t, 150*1.031, plain.Value, 0.2, "reads 3.1 % long")
		told := read(echoOf(dev, at(24, 0.9), sensor.HCSR04{Sound: sensor.Sound{CO2Ratio: 0.1}}))
		assert.InDelta(t, 150, told.Value, 0.05)
	})
}

func TestHCSR04Faults(t *testing.T) {
	for name, c := range map[string]struct {
		set    func(*sensortest.HCSR04)
		status sensor.Status
		reason string
	}{
		"dead":       {func(h *sensortest.HCSR04) { h.Dead = true }, sensor.ReadFailed, "does not answer its trigger"},
		"no echo":    {func(h *sensortest.HCSR04) { h.NoEcho = true }, sensor.OutOfRange, "no echo came back (pulse of 38 ms)"},
		"stuck high": {func(h *sensortest.HCSR04) { h.StuckHigh = true }, sensor.ReadFailed, "stays high"},
		"swapped":    {func(h *sensortest.HCSR04) { h.Swapped = true }, sensor.BadData, "edges are out of order"},
		"lines fail": {func(h *sensortest.HCSR04) { h.Broken = true }, sensor.ReadFailed, "GPIO lines: no such device"},
		"too near":   {func(h *sensortest.HCSR04) { h.DistanceMM = 12 }, sensor.OutOfRange, "nearer"},
		"too far":    {func(h *sensortest.HCSR04) { h.DistanceMM = 4200 }, sensor.OutOfRange, "farther"},
		"wall and surface": {func(h *sensortest.HCSR04) {
			n := 0
			h.Noise = func() float64 { n++; return float64(n%2) * 80 }
		}, sensor.Unreliable, "contradict each other"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				dev := &sensortest.HCSR04{DistanceMM: 150, SpeedMPS: 345}
				c.set(dev)
				s := echoOf(dev, nil, sensor.HCSR04{})
				r := read(s)
				assert.Equal(t, c.status, r.Status, r.Reason)
				assert.Contains(t, r.Reason, c.reason)
				*dev = sensortest.HCSR04{DistanceMM: 150, SpeedMPS: 345}
				assert.Equal(t, sensor.OK, read(s).Status, "heals by itself")
			})
		})
	}
}

func TestHCSR04ThatCannotBeOpened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := chip.NewHCSR04(nil, sensor.HCSR04{Device: "/dev/gpiochip99", Trigger: new(23), Echo: new(24)}, nil, sensor.SystemClock())
		r := read(s)
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, r.Reason, "/dev/gpiochip99 is not there")
		require.NoError(t, s.Close())
	})
}

// TestEdgesOfTheKernel decodes line events as linux/gpio.h lays them out: 48
// bytes, timestamp in ns first, then 1 for rising and 2 for falling.
func TestEdgesOfTheKernel(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer r.Close()
	event := func(ns uint64, id uint32) {
		b := make([]byte, 48)
		binary.NativeEndian.PutUint64(b, ns)
		binary.NativeEndian.PutUint32(b[8:], id)
		_, err := w.Write(b)
		require.NoError(t, err)
	}
	event(1_000_000, 1)
	event(1_870_000, 2)
	rising, rise, err := chip.ReadEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	again, fall, err := chip.ReadEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	assert.True(t, rising)
	assert.False(t, again)
	assert.Equal(t, 870*time.Microsecond, fall-rise)
	_, _, err = chip.ReadEdge(r, time.Now())
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	require.NoError(t, w.Close())
}
