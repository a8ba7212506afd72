package source_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/source"
)

// example is a Spec of each kind that can be opened on any machine.
func example(k sensor.Kind) sensor.Spec {
	s := sensor.Spec{Kind: k}
	switch k {
	case sensor.KindHCSR04:
		s.Trigger, s.Echo, s.Device = new(23), new(24), "/dev/none"
	case sensor.KindSerial:
		s.Device = "/dev/none"
	case sensor.KindMQTT:
		s.Broker, s.Topic = "mqtt://127.0.0.1:1", "tub"
	case sensor.KindVL53L1X, sensor.KindVL6180X, sensor.KindBME280:
		s.Bus = "77"
	}
	return s
}

// TestEveryKindOpensWithoutItsHardware: each opens, and reads as missing with a
// reason.
func TestEveryKindOpensWithoutItsHardware(t *testing.T) {
	hub := chip.NewHub()
	env := source.Env{SysfsRoot: t.TempDir(), Hub: hub}
	buses := map[string]bool{}
	for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
		for _, k := range sensor.Kinds(q) {
			spec := example(k)
			src, err := source.Open(spec, q, env)
			require.NoError(t, err, k)
			ctx, cancel := context.WithCancel(t.Context())
			if k == sensor.KindMQTT {
				cancel() // it would wait for a message
			}
			r := src.Read(ctx)
			cancel()
			assert.Equal(t, sensor.Missing, r.Status, "%s: %s", k, r.Reason)
			assert.NotEmpty(t, r.Reason, k)
			assert.Equal(t, q, r.Quantity, k)
			assert.False(t, r.Wall.IsZero(), k)
			require.NoError(t, src.Close(), k)
			buses[source.Bus(spec)] = true
		}
	}
	assert.Greater(t, len(buses), 6)
	require.NoError(t, hub.Close())
}

func TestOpenRefusesWhatIsNotValid(t *testing.T) {
	_, err := source.Open(sensor.Spec{Kind: "w1"}, sensor.Distance, source.Env{})
	var fe *sensor.FieldError
	assert.ErrorAs(t, err, &fe)
}

func TestOptionsReachTheSource(t *testing.T) {
	root := t.TempDir()
	put := func(path, text string) {
		full := filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		require.NoError(t, os.WriteFile(full, []byte(text), 0o644))
	}
	put("bus/iio/devices/iio:device0/name", "srf04")
	put("bus/iio/devices/iio:device0/in_distance_raw", "149")
	put("bus/iio/devices/iio:device0/in_distance_scale", "0.001")
	env := source.Env{SysfsRoot: root, Air: source.AirOf(func() (float64, bool) { return 25, true }, func() (float64, bool) { return 0.5, true })}
	read := func(s sensor.Spec) sensor.Reading {
		src, err := source.Open(s, sensor.Distance, env)
		require.NoError(t, err)
		defer src.Close()
		return src.Read(t.Context())
	}
	assert.InDelta(t, 147, read(sensor.Spec{Kind: "iio", OffsetMM: -2}).Value, 1e-9)
	assert.Equal(t, sensor.OutOfRange, read(sensor.Spec{Kind: "iio", MaxMM: 140}).Status)
	assert.InDelta(t, 149*1.010, read(sensor.Spec{Kind: "srf04", Pings: 3}).Value, 0.1, "the speed of sound at 25 C and 50 % (worked out apart from this code)")
	assert.Equal(t, source.Bus(sensor.Spec{Kind: "vl53l1x"}), source.Bus(sensor.Spec{Kind: "bme280", Bus: "1"}))
	assert.NotEqual(t, source.Bus(sensor.Spec{Kind: "w1"}), source.Bus(sensor.Spec{Kind: "iio"}))
}
