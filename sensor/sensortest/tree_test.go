package sensortest_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/source"
)

const probe = "28-00000a1b2c3d"

// TestTreeReadsAsAPiDoes reads the tree with the sensors of the service: values,
// every fault, and values again.
func TestTreeReadsAsAPiDoes(t *testing.T) {
	tree := sensortest.Tree{Root: t.TempDir()}
	env := source.Env{SysfsRoot: tree.Root}
	height, err := source.Open(&sensor.IIO{Device: "iio:device0"}, sensor.Distance, env)
	require.NoError(t, err)
	dough, err := source.Open(&sensor.W1{ID: probe}, sensor.Temperature, env)
	require.NoError(t, err)
	good := func(mm, celsius float64) {
		t.Helper()
		require.NoError(t, tree.Height(mm))
		require.NoError(t, tree.Probe(probe, celsius))
		h, d := height.Read(t.Context()), dough.Read(t.Context())
		require.Equal(t, sensor.OK, h.Status, h.Err)
		require.Equal(t, sensor.OK, d.Status, d.Err)
		assert.InDelta(t, mm, h.Value, 0.5)
		assert.InDelta(t, celsius, d.Value, 1.0/32)
	}
	good(183, 24.5)
	good(182, -3.25)
	for _, f := range []sensortest.Fault{sensortest.Missing, sensortest.Empty, sensortest.IOError, sensortest.OutOfRange} {
		require.NoError(t, tree.BreakHeight(f))
		assert.NotEqual(t, sensor.OK, height.Read(t.Context()).Status, "height %s", f)
		good(181, 24)
	}
	for _, f := range []sensortest.Fault{sensortest.Missing, sensortest.Empty, sensortest.IOError, sensortest.BadCRC, sensortest.PowerOn} {
		require.NoError(t, tree.BreakProbe(probe, f))
		assert.NotEqual(t, sensor.OK, dough.Read(t.Context()).Status, "probe %s", f)
		good(180, 25)
	}
	require.Error(t, tree.BreakHeight(sensortest.BadCRC), "a distance has no checksum")
}

// TestProbeText checks a text against the worked examples of the DS18B20 data
// sheet, table "Temperature/Data Relationship": 25.0625 C is 0191h, -10.125 C is
// FF5Eh.
func TestProbeText(t *testing.T) {
	assert.Contains(t, sensortest.ProbeText(0x0191, true), "91 01 ")
	assert.Contains(t, sensortest.ProbeText(0x0191, true), "YES")
	assert.Contains(t, sensortest.ProbeText(0x0191, true), "t=25062\n")
	minus := uint16(0xff5e)
	assert.Contains(t, sensortest.ProbeText(int16(minus), true), "5e ff ")
	assert.Contains(t, sensortest.ProbeText(int16(minus), true), "t=-10125\n")
	assert.Contains(t, sensortest.ProbeText(0x0191, false), "NO")
}
