package chip

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
	"tidemark/sensor/sensortest"
	"tidemark/sensor/sound"
)

// echoOf reads a pair on lines of the test.
func echoOf(dev *sensortest.HCSR04, air sensor.Air, conf sensor.HCSR04) *sensor.Driver {
	return NewHCSR04(func() (Lines, error) { return dev, nil }, conf, air)
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
		require.Equal(t, sensor.OK, r.Status, r.Err)
		assert.InDelta(t, 150, r.Value, 1.5)
		assert.InDelta(t, 0.57, r.SD, 0.4, "1.5 mm over 11 pings")
		assert.Equal(t, 11, dev.Pings)
		assert.Zero(t, dev.ShortPulses, "trigger of 10 us at least (user guide)")
		assert.Zero(t, dev.TooSoon, "60 ms between pings (user guide)")
		require.NoError(t, s.Close())
		assert.Equal(t, 1, dev.Closed)
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

func TestHCSR04ThatCannotBeOpened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := NewHCSR04(nil, sensor.HCSR04{Device: "/dev/gpiochip99", Trigger: new(23), Echo: new(24)}, nil)
		r := read(s)
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, said(r), "/dev/gpiochip99 is not there")
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
	rising, rise, err := readEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	again, fall, err := readEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	assert.True(t, rising)
	assert.False(t, again)
	assert.Equal(t, 870*time.Microsecond, fall-rise)
	_, _, err = readEdge(r, time.Now())
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	require.NoError(t, w.Close())
}
