package chip

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
)

// bench has chips on buses of the test.
type bench struct {
	bus   *sensortest.Bus
	one   *sensortest.OneWire
	pins  map[string]*sensortest.Pin
	buses *Buses
}

func newBench(t *testing.T) *bench {
	b := &bench{bus: &sensortest.Bus{Name: t.Name()}, one: &sensortest.OneWire{}, pins: map[string]*sensortest.Pin{}}
	b.buses = NewBuses()
	b.buses.OpenI2C = func(string) (i2c.BusCloser, error) { return b.bus, nil }
	b.buses.OpenOneWire = func(string) (onewire.BusCloser, error) { return b.one, nil }
	b.buses.Pin = func(name string) (gpio.PinOut, error) {
		if p, ok := b.pins[name]; ok {
			return p, nil
		}
		return nil, sensor.Fault(sensor.Missing, "gpio.gone", "line", name)
	}
	t.Cleanup(func() {
		time.Sleep(time.Second) // lets a read that was given up end
		assert.NoError(t, b.buses.Close())
	})
	return b
}

// tof reads a VL53L1X on the bench.
func (b *bench) tof(conf sensor.VL53L1X) *sensor.Driver {
	return NewVL53L1X(b.buses, conf, nil)
}

// short reads a VL6180X on the bench.
func (b *bench) short(xshut string, address int) *sensor.Driver {
	return NewVL6180X(b.buses, sensor.VL6180X{I2C: sensor.I2C{Address: address}, XShut: xshut})
}

// probe reads a DS18B20 on the bench.
func (b *bench) probe(id string) *sensor.Driver {
	return NewProbe(b.buses, sensor.DS18B20{ID: id, OffsetC: 0.1})
}

// air reads a BME280 on the bench.
func (b *bench) air(q sensor.Quantity) *sensor.Driver {
	return NewBME280(b.buses, q, sensor.BME280{})
}

// read reads once with five seconds of patience.
func read(s sensor.Source) sensor.Reading {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return s.Read(ctx)
}

// good asserts a value.
func good(t *testing.T, want, within float64, r sensor.Reading) {
	t.Helper()
	require.Equal(t, sensor.OK, r.Status, r.Err)
	assert.InDelta(t, want, r.Value, within)
}

func TestVL53L1XMeasuresAndIsSetUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		c := sensortest.NewVL53L1X(182)
		b.bus.Add(c)
		s := b.tof(sensor.VL53L1X{ROI: 4, Budget: sensor.Duration(33 * time.Millisecond)})
		r := read(s)
		good(t, 182, 1, r)
		assert.Positive(t, r.SD)
		roi, ok := c.Written(0x0080)
		require.True(t, ok, "region of interest")
		assert.Equal(t, byte(0x33), roi, "4 by 4 receivers, each less one")
		mode, _ := c.Written(0x0060)
		assert.Equal(t, byte(0x07), mode, "short mode")
		start, _ := c.Written(0x0087)
		assert.Equal(t, byte(0x40), start, "ranging by timer")
		for range 5 {
			good(t, 182, 1, read(s))
		}
		assert.Equal(t, sensor.Recovery{}, s.Recovery())
	})
}

func TestVL53L1XIsTunedAnewAfterAMoveToTheFridge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		c := sensortest.NewVL53L1X(182)
		b.bus.Add(c)
		airC, known := 24.0, false
		s := NewVL53L1X(b.buses, sensor.VL53L1X{}, func() (float64, float64, bool) { return airC, 0, known })
		good(t, 182, 1, read(s))
		known = true
		good(t, 182, 1, read(s))
		airC = 17
		good(t, 182, 1, read(s))
		assert.Equal(t, 1, c.Starts)
		airC = 5
		good(t, 182, 1, read(s))
		assert.Equal(t, 2, c.Starts)
		good(t, 182, 1, read(s))
		assert.Equal(t, 2, c.Starts)
		assert.Equal(t, sensor.Recovery{}, s.Recovery(), "no fault")
	})
}

// Status outcomes: ST user manual UM2356; raw codes from memory.
func TestVL53L1XStatus(t *testing.T) {
	for code, want := range map[byte]sensor.Status{
		9: sensor.OK, 6: sensor.Unreliable, 4: sensor.OutOfRange, 5: sensor.OutOfRange, 7: sensor.Unreliable,
		8: sensor.OutOfRange, 13: sensor.OutOfRange, 12: sensor.Unreliable, 1: sensor.ReadFailed, 17: sensor.ReadFailed, 30: sensor.Unreliable,
		9 | 0xe0: sensor.OK, // the upper bits are not part of the code
	} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t)
			c := sensortest.NewVL53L1X(182)
			c.Code = code
			b.bus.Add(c)
			r := read(b.tof(sensor.VL53L1X{}))
			assert.Equal(t, want, r.Status, "code %d: %s", code, r.Err)
		})
	}
}

// rowError codes: VL6180X datasheet DocID026171 and AN4545.
func TestVL6180XStatus(t *testing.T) {
	want := map[byte]sensor.Status{0: sensor.OK, 6: sensor.OutOfRange, 7: sensor.OutOfRange, 8: sensor.Unreliable,
		11: sensor.Unreliable, 12: sensor.OutOfRange, 13: sensor.OutOfRange, 14: sensor.OutOfRange, 15: sensor.OutOfRange,
		1: sensor.ReadFailed, 2: sensor.ReadFailed, 3: sensor.ReadFailed, 4: sensor.ReadFailed, 5: sensor.ReadFailed,
		9: sensor.Unreliable, 10: sensor.Unreliable}
	for code, status := range want {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t)
			c := sensortest.NewVL6180X(64)
			c.Code = code
			b.bus.Add(c)
			r := read(b.short("", 0))
			assert.Equal(t, status, r.Status, "code %d: %s", code, r.Err)
			if status == sensor.OK {
				assert.Equal(t, 64.0, r.Value)
			}
		})
	}
}

// TestTwoChipsAtOneAddress wakes two chips one by one and moves them.
func TestTwoChipsAtOneAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		left, right := sensortest.NewVL53L1X(100), sensortest.NewVL6180X(60)
		b.bus.Add(left, right)
		b.pins["GPIO17"], b.pins["GPIO27"] = sensortest.NewPin(left.Shut), sensortest.NewPin(right.Shut)
		l := b.tof(sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"})
		r := b.short("GPIO27", 0x31)
		good(t, 100, 1, read(l))
		good(t, 60, 0, read(r))
		assert.Equal(t, uint16(0x30), left.Address())
		assert.Equal(t, uint16(0x31), right.Address())
		good(t, 100, 1, read(l))
	})
}

func TestNeighbourWithoutShutdownLineIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		mine, other := sensortest.NewVL53L1X(100), sensortest.NewVL53L1X(60)
		b.bus.Add(mine, other)
		b.pins["GPIO17"] = sensortest.NewPin(mine.Shut)
		r := read(b.tof(sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"}))
		assert.Equal(t, sensor.ReadFailed, r.Status)
		assert.Contains(t, said(r), "another chip answers at 0x29")
	})
}

func TestChipsBehindAMultiplexer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		mux := &sensortest.Mux{Addr: 0x70}
		first, second := sensortest.NewVL53L1X(100), sensortest.NewVL53L1X(150)
		mux.Ports[2], mux.Ports[5] = []sensortest.Device{first}, []sensortest.Device{second}
		b.bus.AddMux(mux)
		one := b.tof(sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 2}})
		two := b.tof(sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 5}})
		for range 3 {
			good(t, 100, 1, read(one))
			good(t, 150, 1, read(two))
		}
		mux.BrownOut()
		seen := 0
		for range 6 { // faults, then set up anew
			if r := read(two); r.Status == sensor.OK {
				good(t, 150, 1, r)
				seen++
			}
		}
		assert.Positive(t, seen, "the port is chosen again")
		good(t, 100, 1, read(one))
		mux.Dead = true
		assert.Equal(t, sensor.Missing, read(b.tof(sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x71}})).Status)
	})
}

// The raw temperature and its 25.08 C are the worked example of the BMP280
// datasheet (from memory).
func TestBME280(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		c := sensortest.NewBME280(0x76)
		b.bus.Add(c)
		temp := b.air(sensor.Temperature)
		hum := b.air(sensor.Humidity)
		good(t, 25.08, 0.005, read(temp))
		h := read(hum)
		require.Equal(t, sensor.OK, h.Status, h.Err)
		assert.Greater(t, h.Value, 0.05)
		assert.Less(t, h.Value, 0.95)
		c.BrownOut()
		r := read(hum)
		assert.Equal(t, sensor.Unreliable, r.Status)
		assert.Contains(t, said(r), "lost its supply")
		for range 3 {
			r = read(hum)
		}
		good(t, h.Value, 1e-9, r)
		c.Busy = true
		assert.Contains(t, said(read(temp)), "hangs")
		c.Busy = false
		c.ID = 0x58
		assert.Contains(t, said(read(b.air(sensor.Humidity))), "it is a BMP280")
		c.ID = 0x12
		assert.Contains(t, said(read(b.air(sensor.Temperature))), "is no BME280")
	})
}

const probeID = "28-0123456789ab"

// newProbe makes a fake probe with probeID.
func newProbe(t *testing.T, celsius float64) *sensortest.DS18B20 {
	t.Helper()
	addr, err := ParseID(probeID)
	require.NoError(t, err)
	return &sensortest.DS18B20{Addr: addr, Celsius: celsius}
}

func TestDS18B20IsFoundWithoutID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		s := b.probe("")
		assert.Equal(t, sensor.Missing, read(s).Status)
		b.one.Probes = append(b.one.Probes, newProbe(t, 20))
		good(t, 20.1, 1e-9, read(s))
		other, err := ParseID("28-000000000001")
		require.NoError(t, err)
		b.one.Probes = append(b.one.Probes, &sensortest.DS18B20{Addr: other})
		assert.Contains(t, said(read(b.probe(""))),
			"2 probes answer; name one by its id (28-0123456789ab, 28-000000000001)")
	})
}

// The made-up address 28 A1 B2 C3 D4 E5 00 has the checksum 05 (worked out with
// Application Note 27).
func TestProbeIDs(t *testing.T) {
	a, err := ParseID("28-00e5d4c3b2a1")
	require.NoError(t, err)
	assert.Equal(t, onewire.Address(0x0500e5d4c3b2a128), a)
	assert.Equal(t, "28-00e5d4c3b2a1", formatID(a))
	for _, bad := range []string{"", "28", "28-1", "zz-000000000001", "28-00000000000g"} {
		_, err := ParseID(bad)
		assert.Error(t, err, bad)
	}
}

func TestMissingLinesAndBuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		b.bus.Add(sensortest.NewVL53L1X(100))
		r := read(b.tof(sensor.VL53L1X{XShut: "GPIO5"}))
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, said(r), "GPIO line GPIO5 is not there")
		b.buses.OpenI2C = NewBuses().OpenI2C // this machine has no I2C bus 77
		r = read(b.tof(sensor.VL53L1X{I2C: sensor.I2C{Bus: "77"}}))
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, said(r), "I2C bus 77 is not there; switch I2C on")
	})
}

// said is why a reading has no value, in English.
func said(r sensor.Reading) string { return text.New(text.Locale{}).Error(r.Err) }
