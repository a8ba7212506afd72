package source_test

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/source"
)

// examples returns a configuration of each kind that can be opened on any machine.
func examples() []sensor.Config {
	at := sensor.I2C{Bus: "77"}
	return []sensor.Config{&sensor.W1{}, &sensor.DS18B20{}, &sensor.Hwmon{}, &sensor.IIO{}, &sensor.VL53L1X{I2C: at}, &sensor.VL6180X{I2C: at}, &sensor.BME280{I2C: at},
		&sensor.HCSR04{Trigger: new(23), Echo: new(24), Device: "/dev/none"}, &sensor.SRF04{}, &sensor.Serial{Device: "/dev/none"},
		&sensor.MQTT{Broker: "mqtt://127.0.0.1:1", Topic: "tub"}}
}

// TestEveryKindOpensWithoutItsHardware: each opens, and reads as missing with a
// reason.
func TestEveryKindOpensWithoutItsHardware(t *testing.T) {
	env := source.Env{SysfsRoot: t.TempDir(), Buses: chip.NewBuses()}
	buses, opened := map[string]bool{}, 0
	for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
		for _, c := range examples() {
			k := sensor.KindOf(c)
			if !slices.Contains(sensor.Kinds(q), k) {
				continue
			}
			opened++
			src, err := source.Open(c, q, env)
			require.NoError(t, err, k)
			ctx, cancel := context.WithCancel(t.Context())
			if k == sensor.KindMQTT {
				cancel() // it would wait for a message
			}
			r := src.Read(ctx)
			cancel()
			assert.Equal(t, sensor.Missing, r.Status, "%s: %s", k, r.Err)
			assert.Error(t, r.Err, k)
			assert.Equal(t, q, r.Quantity, k)
			assert.False(t, r.Wall.IsZero(), k)
			require.NoError(t, src.Close(), k)
			buses[source.Bus(c)] = true
		}
	}
	assert.Greater(t, len(buses), 6)
	assert.Equal(t, len(sensor.Kinds(sensor.Distance))+len(sensor.Kinds(sensor.Temperature))+len(sensor.Kinds(sensor.Humidity)), opened, "each kind is tried")
	require.NoError(t, env.Buses.Close())
}

func TestOpenRefusesWhatIsNotValid(t *testing.T) {
	_, err := source.Open(&sensor.W1{}, sensor.Distance, source.Env{})
	var fe *sensor.FieldError
	assert.ErrorAs(t, err, &fe)
}

func TestOptionsReachTheSource(t *testing.T) {
	root := t.TempDir()
	put := func(path, text string) { sensortest.Put(t, root, path, text) }
	put("bus/iio/devices/iio:device0/name", "srf04")
	put("bus/iio/devices/iio:device0/in_distance_raw", "149")
	put("bus/iio/devices/iio:device0/in_distance_scale", "0.001")
	env := source.Env{SysfsRoot: root, Air: func() (float64, float64, bool) { return 25, 0.5, true }}
	read := func(s sensor.Config) sensor.Reading {
		src, err := source.Open(s, sensor.Distance, env)
		require.NoError(t, err)
		defer src.Close()
		return src.Read(t.Context())
	}
	assert.InDelta(t, 147, read(&sensor.IIO{Limits: sensor.Limits{OffsetMM: -2}}).Value, 1e-9)
	assert.Equal(t, sensor.OutOfRange, read(&sensor.IIO{Limits: sensor.Limits{MaxMM: 140}}).Status)
	assert.InDelta(t, 149*1.010, read(&sensor.SRF04{Sound: sensor.Sound{Pings: 3}}).Value, 0.1, "the speed of sound at 25 C and 50 % (worked out apart from this code)")
	assert.Equal(t, source.Bus(&sensor.VL53L1X{}), source.Bus(&sensor.BME280{I2C: sensor.I2C{Bus: "1"}}))
	assert.NotEqual(t, source.Bus(&sensor.W1{}), source.Bus(&sensor.IIO{}))
}
