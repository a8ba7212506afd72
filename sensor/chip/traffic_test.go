package chip_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewiretest"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/sensortest"
)

var update = flag.Bool("update", false, "rewrite the recorded traffic in testdata")

// i2cRecorder is a recording bus that can be closed.
type i2cRecorder struct{ *i2ctest.Record }

func (i2cRecorder) Close() error { return nil }

// TestTrafficOnI2C plays the traffic of two readings that testdata holds back to
// each driver: another transfer than recorded, or one left over, fails. With
// -update the traffic is recorded from the emulated chips.
func TestTrafficOnI2C(t *testing.T) {
	clock := sensor.SystemClock()
	for name, c := range map[string]struct {
		chip sensortest.Device
		open func(*chip.Buses) sensor.Source
		want float64
	}{
		"vl53l1x": {sensortest.NewVL53L1X(182), func(b *chip.Buses) sensor.Source { return chip.NewVL53L1X(b, sensor.VL53L1X{}, nil, clock) }, 182},
		"vl6180x": {sensortest.NewVL6180X(64), func(b *chip.Buses) sensor.Source { return chip.NewVL6180X(b, sensor.VL6180X{}, clock) }, 64},
		"bme280": {sensortest.NewBME280(0x76), func(b *chip.Buses) sensor.Source {
			return chip.NewBME280(b, sensor.Temperature, sensor.BME280{}, clock)
		}, 25.08},
		"pca9548": {sensortest.NewBME280(0x76), func(b *chip.Buses) sensor.Source {
			return chip.NewBME280(b, sensor.Temperature, sensor.BME280{I2C: sensor.I2C{Mux: 0x70, Port: 4}}, clock)
		}, 25.08},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join("testdata", name+".traffic")
			if *update {
				synctest.Test(t, func(t *testing.T) {
					bus := &sensortest.Bus{Name: "rec-" + name}
					if name == "pca9548" {
						mux := &sensortest.Mux{Addr: 0x70}
						mux.Ports[4] = []sensortest.Device{c.chip}
						bus.AddMux(mux)
					} else {
						bus.Add(c.chip)
					}
					rec := &i2ctest.Record{Bus: bus}
					readTwice(t, i2cRecorder{rec}, c.open, c.want)
					writeTraffic(t, file, rec.Ops)
				})
			}
			ops := readTraffic(t, file)
			require.Greater(t, len(ops), 5, "%s holds no traffic", file)
			synctest.Test(t, func(t *testing.T) {
				play := &i2ctest.Playback{Ops: ops, DontPanic: true}
				readTwice(t, play, c.open, c.want)
				assert.NoError(t, play.Close(), "traffic is left over")
			})
		})
	}
}

// readTwice reads a driver on a bus two times.
func readTwice(t *testing.T, bus i2c.BusCloser, open func(*chip.Buses) sensor.Source, want float64) {
	t.Helper()
	buses := chip.NewBuses()
	buses.OpenI2C = func(string) (i2c.BusCloser, error) { return bus, nil }
	s := open(buses)
	for range 2 {
		good(t, want, 1, read(s))
	}
	require.NoError(t, buses.Close())
}

// writeTraffic writes transfers as lines of address, bytes written, bytes read.
func writeTraffic(t *testing.T, file string, ops []i2ctest.IO) {
	t.Helper()
	var b strings.Builder
	for _, op := range ops {
		fmt.Fprintf(&b, "%02x|%x|%x\n", op.Addr, op.W, op.R)
	}
	require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
}

// readTraffic reads what writeTraffic wrote.
func readTraffic(t *testing.T, file string) []i2ctest.IO {
	t.Helper()
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	var ops []i2ctest.IO
	for line := range strings.Lines(string(b)) {
		f := strings.Split(strings.TrimSpace(line), "|")
		require.Len(t, f, 3, line)
		op := i2ctest.IO{W: bytesOf(t, f[1]), R: bytesOf(t, f[2])}
		_, err := fmt.Sscanf(f[0], "%x", &op.Addr)
		require.NoError(t, err)
		ops = append(ops, op)
	}
	return ops
}

// bytesOf reads hex.
func bytesOf(t *testing.T, s string) []byte {
	t.Helper()
	var b []byte
	if s == "" {
		return nil
	}
	_, err := fmt.Sscanf(s, "%x", &b)
	require.NoError(t, err)
	return b
}

// TestTrafficOnOneWire plays the transfers of one conversion: commands and
// scratchpad of the DS18B20 datasheet (match ROM 55, convert 44, read scratchpad
// BE; 0191 is 25.0625 C).
func TestTrafficOnOneWire(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rom := []byte{0x55, 0x28, 0xa1, 0xb2, 0xc3, 0xd4, 0xe5, 0x00, 0x05}
		pad := []byte{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10, 0x25}
		play := &onewiretest.Playback{DontPanic: true, Ops: []onewiretest.IO{
			{W: append(rom[:9:9], 0xbe), R: pad},
			{W: append(rom[:9:9], 0x44), Pull: onewire.StrongPullup},
			{W: append(rom[:9:9], 0xbe), R: pad},
		}}
		buses := chip.NewBuses()
		buses.OpenOneWire = func(string) (onewire.BusCloser, error) { return play, nil }
		good(t, 25.0625, 0, read(chip.NewProbe(buses, sensor.DS18B20{ID: "28-00e5d4c3b2a1"}, sensor.SystemClock())))
		assert.NoError(t, play.Close(), "traffic is left over")
	})
}
