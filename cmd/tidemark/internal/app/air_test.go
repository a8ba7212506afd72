package app

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/sound"
)

// iio lays out a device of the kernel's industrial I/O below a tree.
func iio(t *testing.T, tree sensortest.Tree, device, name string, files map[string]string) {
	t.Helper()
	dir := filepath.Join(tree.Root, "bus/iio/devices", device)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "name"), []byte(name), 0o644))
	for file, text := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(text), 0o644))
	}
}

// TestAirSetsTheSpeedOfSound reads a tub by sound, through kernel files, in damp
// and warm air: temperature and humidity come from the configured sensors, reach
// page and metrics, and correct the distance. When the air sensor falls silent,
// its last word goes on to count for an hour.
func TestAirSetsTheSpeedOfSound(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	iio(t, tree, "iio:device3", "srf04", map[string]string{"in_distance_raw": "200", "in_distance_scale": "0.001"})
	iio(t, tree, "iio:device4", "hdc100x", map[string]string{"in_humidityrelative_input": "85000"})
	synctest.Test(t, func(t *testing.T) {
		require.NoError(t, tree.Probe(airProbe, 30))
		text := "state_dir: " + state + "\nsysfs: " + tree.Root + `
sample_every: 10s
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: srf04}
    air: {kind: w1, id: ` + airProbe + `}
    humidity: {kind: iio, name: hdc100x}
`
		cfg, err := config.Parse("t.yaml", []byte(text), config.Sensors)
		require.NoError(t, err)
		a, err := New(Options{Config: cfg, Clock: wall{}, Live: true})
		require.NoError(t, err)
		require.NoError(t, a.Start(t.Context()))
		defer func() { require.NoError(t, a.Stop(t.Context())) }()
		time.Sleep(time.Minute + time.Second)
		v := a.Snapshot().Vessels[0]
		assert.InDelta(t, 0.85, v.AirHumidity, 1e-9)
		require.Len(t, v.Sensors, 3)
		latest := func(as role) sensor.Reading {
			p := a.vessels["tub"]
			p.mu.Lock()
			defer p.mu.Unlock()
			return p.readings.of(as).reading
		}
		distance := func() float64 { return latest(heightRole).Value }
		// The kernel's driver reckons with a speed of its own (343.5 m/s as tidemark
		// takes it: 200 mm at 343.5 are so many at the real speed).
		warm := distance()
		speed := sound.Air{Celsius: 30, Humidity: 0.85}.SpeedMPS()
		dry := sound.Air{Celsius: 30, Humidity: 0.7}.SpeedMPS()
		assert.Greater(t, math.Abs(speed-dry)/dry*warm, 0.1, "humidity can be seen in the distance")
		celsius, humidity, ok := a.vessels["tub"].sourceEnv(nil).Air()
		assert.Equal(t, []any{30.0, 0.85, true}, []any{celsius, math.Round(humidity*100) / 100, ok})

		require.NoError(t, tree.BreakProbe(airProbe, sensortest.Missing))
		time.Sleep(50 * time.Minute)
		assert.Equal(t, sensor.Missing, latest(airRole).Status)
		assert.InDelta(t, warm, distance(), 1e-9, "no jump while the air is only silent")
		time.Sleep(15 * time.Minute)
		assert.Less(t, distance(), warm-1, "then the usual kitchen of 22 C is assumed")
	})
}
