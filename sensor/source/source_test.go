package source

import (
	"context"
	hexa "encoding/hex"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/onewire"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// said is why a reading has no value, in English.
func said(r sensor.Reading) string { return text.New(text.Locale{}).Error(r.Err) }

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

// bad asserts a fault.
func bad(t *testing.T, status sensor.Status, why string, r sensor.Reading) {
	t.Helper()
	assert.Equal(t, status, r.Status, r.Err)
	assert.Contains(t, said(r), why)
	assert.True(t, r.Value != r.Value, "a fault has no value")
}

// example fills in what a kind needs to be opened on any machine.
func example(c sensor.Config) sensor.Config {
	switch c := c.(type) {
	case *sensor.VL53L1X:
		c.Bus = "77"
	case *sensor.VL6180X:
		c.Bus = "77"
	case *sensor.BME280:
		c.Bus = "77"
	case *sensor.HCSR04:
		*c = sensor.HCSR04{Trigger: new(23), Echo: new(24), Device: "/dev/none"}
	case *sensor.Serial:
		c.Device = "/dev/none"
	case *sensor.MQTT:
		*c = sensor.MQTT{Broker: "mqtt://127.0.0.1:1", Topic: "tub"}
	}
	return c
}

// TestEveryKindOpensWithoutItsHardware: each opens, and reads as missing with a
// reason.
func TestEveryKindOpensWithoutItsHardware(t *testing.T) {
	env := Env{SysfsRoot: t.TempDir(), Buses: NewBuses()}
	buses := map[string]bool{}
	for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
		for _, c := range sensor.Kinds(q) {
			k := sensor.KindOf(c)
			src, err := Open(example(c), q, env)
			require.NoError(t, err, k)
			r := src.Read(t.Context())
			for until := time.Now().Add(20 * time.Second); k == "mqtt" && r.Status == "" && time.Now().Before(until); {
				time.Sleep(10 * time.Millisecond) // it connects
				r = src.Read(t.Context())
			}
			bad(t, sensor.Missing, "", r)
			assert.Equal(t, q, r.Quantity, k)
			assert.False(t, r.Wall.IsZero(), k)
			require.NoError(t, src.Close(), k)
			buses[Bus(c)] = true
		}
	}
	assert.Greater(t, len(buses), 6)
	require.NoError(t, env.Buses.Close())
	_, err := Open(&sensor.W1{}, sensor.Distance, Env{})
	var fe *sensor.FieldError
	assert.ErrorAs(t, err, &fe)
	assert.Equal(t, Bus(&sensor.VL53L1X{}), Bus(&sensor.BME280{I2C: sensor.I2C{Bus: "1"}}))
}

// The first vector is example 2 of Maxim Application Note 27; the others were
// worked out with two independent implementations of its polynomial.
func TestCRC8(t *testing.T) {
	for in, want := range map[string]byte{
		"02 1C B8 01 00 00 00": 0xa2, "31 32 33 34 35 36 37 38 39": 0xa1, "28 A1 B2 C3 D4 E5 00": 0x05, "50 05 4B 46 7F FF 0C 10": 0x1c,
		"91 01 4B 46 7F FF 0F 10": 0x25, "5E FF 4B 46 7F FF 02 10": 0xb6, "90 FC 4B 46 7F FF 0C 10": 0x4f, "FF FF FF FF FF FF FF FF": 0xc9,
	} {
		b, err := hexa.DecodeString(strings.ReplaceAll(in, " ", ""))
		require.NoError(t, err)
		assert.Equal(t, want, onewire.CalcCRC(b), in)
		assert.Zero(t, onewire.CalcCRC(append(b, want)), "data with its own CRC gives 0 (Application Note 27)")
	}
}

// Register and temperature pairs: DS18B20 datasheet, Table 1. At 9, 10 and 11 bits the
// lowest 3, 2 and 1 bits mean nothing (MAX31820PAR datasheet, a sibling with the same
// registers).
func TestScratchpad(t *testing.T) {
	type pad struct {
		register uint16
		config   byte
	}
	for in, want := range map[pad]float64{
		{0x07d0, 0x7f}: 125, {0x0550, 0x7f}: 85, {0x0191, 0x7f}: 25.0625, {0x00a2, 0x7f}: 10.125, {0x0008, 0x7f}: 0.5,
		{0x0000, 0x7f}: 0, {0xfff8, 0x7f}: -0.5, {0xff5e, 0x7f}: -10.125, {0xfe6f, 0x7f}: -25.0625, {0xfc90, 0x7f}: -55,
		{0x0197, 0x1f}: 25.0, {0x0197, 0x3f}: 25.25, {0x0197, 0x5f}: 25.375, {0x0197, 0x7f}: 25.4375,
	} {
		got, err := scratchpadC(scratchpad(in.register, in.config))
		require.NoError(t, err)
		assert.Equal(t, want, got, "%04x", in)
	}
	wrong := scratchpad(0x0191, 0x7f)
	wrong[0]++
	ones := [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	for in, want := range map[[9]byte]sensor.Status{
		ones: sensor.Missing, {}: sensor.BadData, wrong: sensor.BadData, scratchpad(0x0191, 0): sensor.BadData,
		scratchpad(0x07ff, 0x7f): sensor.PowerOn, scratchpad(0x07e0, 0x7f): sensor.OutOfRange, scratchpad(0xfc00, 0x7f): sensor.OutOfRange,
	} {
		_, err := scratchpadC(in)
		assert.Equal(t, want, sensor.StatusOf(err), "%x", in)
	}
}

func TestPowerOnGuard(t *testing.T) {
	onBench(t, func(b *bench) {
		var g powerOnGuard
		for i, c := range []struct {
			celsius float64
			after   time.Duration
			ok      bool
			why     string
		}{
			{85, 0, false, "85 as the first reading"}, {24, time.Second, true, ""}, {85, time.Second, false, "85 after 24"},
			{84.9375, time.Second, true, "only exactly 85 is doubtful"}, {85, time.Second, true, "85 after 84.9"}, {85, time.Second, true, ""},
			{85, 2 * time.Minute, false, "the neighbour is too old"},
		} {
			time.Sleep(c.after)
			got, err := g.check(c.celsius, -0.5, nil)
			assert.Equal(b.t, c.ok, err == nil, "%d: %s", i, c.why)
			if c.ok {
				assert.Equal(b.t, c.celsius-0.5, got)
			}
		}
		_, err := g.check(24, 0, sensor.Fault(sensor.Missing, "range.empty"))
		assert.Equal(b.t, sensor.Missing, sensor.StatusOf(err))
	})
}

// TestKernelFiles reads what the kernel offers. The texts of 1-wire follow its w1_therm
// documentation, with checksums worked out with Application Note 27; names and scales are
// those of the ABI text sysfs-bus-iio and the drivers srf04, vl53l0x and vl6180. What else
// goes wrong is in the table of faults.
func TestKernelFiles(t *testing.T) {
	type files map[string]string
	w1 := func(text string) files { return files{w1File: text} }
	iio := func(name, raw, scale string) files {
		return files{iio0 + "name": name + "\n", iio0 + "in_distance_raw": raw + "\n", iio0 + "in_distance_scale": scale + "\n"}
	}
	bme := func(raw, humidity string) files {
		return files{iio0 + "name": "bme280", iio0 + "in_temp_raw": raw, iio0 + "in_temp_offset": "-1000", iio0 + "in_temp_scale": "10", iio0 + "in_humidityrelative_input": humidity}
	}
	hwmon := files{"class/hwmon/hwmon0/name": "cpu_thermal", "class/hwmon/hwmon0/temp1_input": "48000", hwmon2 + "name": "sht3x", hwmon2 + "temp1_input": "23250", hwmon2 + "humidity1_input": "51200"}
	two := files{iio0 + "in_distance_raw": "1", "bus/iio/devices/iio:device2/in_distance_raw": "1"}
	const shape, bytes25 = "where nine bytes, their checksum", "91 01 4b 46 7f ff 0f 10 25 "
	d, c, h := sensor.Distance, sensor.Temperature, sensor.Humidity
	for name, row := range map[string]struct {
		q     sensor.Quantity
		conf  sensor.Config
		files files
		want  any // a value, or why there is none
	}{
		"probe":                  {c, &sensor.W1{}, w1(good25), 25.062},
		"probe, yes":             {c, &sensor.W1{}, w1(bytes25 + ": crc=25 yes\n" + bytes25 + "t=25062\n"), 25.062},
		"probe, cold":            {c, &sensor.W1{}, w1("5e ff 4b 46 7f ff 02 10 b6 : crc=b6 YES\n5e ff 4b 46 7f ff 02 10 b6 t=-10125\n"), -10.125},
		"no probe":               {c, &sensor.W1{}, nil, "missing: no 1-wire probe under"},
		"probe, one line":        {c, &sensor.W1{}, w1(bytes25 + ": crc=25 YES"), shape},
		"probe, broken number":   {c, &sensor.W1{}, w1(bytes25 + ": crc=25 YES\n" + bytes25 + "t=25.1\n"), shape},
		"probe, no number":       {c, &sensor.W1{}, w1(bytes25 + ": crc=25 YES\nxx\n"), shape},
		"probe, no bytes":        {c, &sensor.W1{}, w1("9z 01 4b 46 7f ff 0f 10 25 : crc=25 YES\nt=1\n"), shape},
		"probe, neither":         {c, &sensor.W1{}, w1(bytes25 + ": crc=25 MAYBE\nt=25062\n"), shape},
		"probe, another text":    {c, &sensor.W1{}, w1("hello\nworld\n"), shape},
		"probe, another value":   {c, &sensor.W1{}, w1(bytes25 + ": crc=25 YES\n" + bytes25 + "t=19062\n"), "the kernel gives 19.1\u00a0°C but the probe's bytes mean 25.1\u00a0°C"},
		"probe, wrong checksum":  {c, &sensor.W1{}, w1("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n"), "checksum of the probe's answer is wrong; the value was thrown away"},
		"probe, after power-on":  {c, &sensor.W1{}, w1("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"), "power_on: "},
		"probe, all ones":        {c, &sensor.W1{}, w1("ff ff ff ff ff ff ff ff ff : crc=ff YES\nff ff ff ff ff ff ff ff ff t=-62\n"), "the probe does not answer (all ones); check its wiring"},
		"two probes":             {c, &sensor.W1{}, files{w1File: good25, "bus/w1/devices/28-0000000000ff/w1_slave": good25}, "missing: 2 probes answer; name one by its id (28-0000000000ff, 28-0123456789ab)"},
		"worked example":         {d, &sensor.IIO{Name: "vl53l0x"}, iio("vl53l0x", "187", "0.001000"), 187.0},
		"relative sentinel":      {d, &sensor.IIO{}, iio("vl53l0x", "8191", "0.001"), "out_of_range: nothing in range (the sensor gives its code 8191"},
		"too far":                {d, &sensor.IIO{}, iio("vl53l0x", "1500", "0.001"), "out_of_range: 1500 mm is farther than expected here (1200 mm)"},
		"vl6180 no target":       {d, &sensor.IIO{}, iio("vl6180", "255", "0.001"), "out_of_range: nothing in range (the sensor gives its code 255"},
		"zero":                   {d, &sensor.IIO{}, iio("srf04", "0", "0.001"), "nearer"},
		"negative":               {d, &sensor.IIO{}, iio("srf04", "-5", "0.001"), "nearer"},
		"not finite":             {d, &sensor.IIO{}, iio("srf04", "nan", "0.001"), "bad_data: "},
		"scale empty":            {d, &sensor.IIO{}, iio("srf04", "120", ""), "in_distance_scale is empty"},
		"scale missing":          {d, &sensor.IIO{Device: "iio:device2"}, two, "in_distance_scale is not there"},
		"two devices":            {d, &sensor.IIO{}, two, "missing: 2 devices for IIO distance found (iio:device0, iio:device2); choose one with device"},
		"metres, with an offset": {d, &sensor.IIO{Limits: sensor.Limits{OffsetMM: -2.5}}, files{iio0 + "in_distance_input": "0.1825"}, 180.0},
		"beyond its limits":      {d, &sensor.IIO{Limits: sensor.Limits{MinMM: 50, MaxMM: 150}}, files{iio0 + "in_distance_input": "0.1825"}, "out_of_range: "},
		"air":                    {c, &sensor.IIO{}, bme("3200", "45500"), 22.0}, // worked from the kernel's formula (raw + offset) x scale
		"damp air":               {h, &sensor.IIO{}, bme("3200", "45500"), 0.455},
		"no air is so hot":       {c, &sensor.IIO{}, bme("32000", "45500"), "out_of_range: "},
		"nor so damp":            {h, &sensor.IIO{}, bme("3200", "145500"), "out_of_range: "},
		"hwmon":                  {c, &sensor.Hwmon{Name: "sht3x", OffsetC: -0.25}, hwmon, 23.0},
		"hwmon, humidity":        {h, &sensor.Hwmon{}, hwmon, 0.512},
		"hwmon by its device":    {c, &sensor.Hwmon{Device: "hwmon0", Channel: "temp1"}, hwmon, 48.0},
	} {
		onBench(t, func(b *bench) {
			for path, text := range row.files {
				b.put(path, text)
			}
			r := read(b.open(row.conf, row.q))
			if want, ok := row.want.(float64); ok {
				good(b.t, want, 1e-9, r)
				return
			}
			assert.NotEqual(b.t, sensor.OK, r.Status, name)
			assert.Contains(b.t, string(r.Status)+": "+said(r), row.want, name)
		})
	}
}

func TestIIOStuckChip(t *testing.T) {
	onBench(t, func(b *bench) {
		b.putIIO(iio0, "vl53l0x", "120")
		d := b.open(&sensor.IIO{}, sensor.Distance)
		var r sensor.Reading
		for range 310 {
			r = read(d)
			time.Sleep(time.Second)
		}
		assert.Equal(b.t, sensor.Stuck, r.Status, r.Err)
		b.put(iio0+"in_distance_raw", "121")
		good(b.t, 121, 1e-9, read(d))
	})
}

// The kernel reckons with 343.5 m/s: 870 us give 149 mm (srf04.c: ns x 106 /
// 617176). At 25 C and 50 % humidity the true factor is about 1.010.
func TestSRF04UndoesTheKernelsSpeed(t *testing.T) {
	assert.Equal(t, 149, 870_000*106/617_176)
	onBench(t, func(b *bench) {
		b.air = at(25, 0.5)
		b.putIIO(iio0, "srf04", "149")
		good(b.t, 149*1.010, 0.1, read(b.open(&sensor.SRF04{Sound: sensor.Sound{Pings: 3}}, sensor.Distance)))
	})
}

func TestVL53L1XMeasuresAndIsSetUp(t *testing.T) {
	onBench(t, func(b *bench) {
		c := fakeLong(182)
		b.bus.chips = []*fakeChip{c}
		airC, known := 24.0, false
		b.air = func() (float64, float64, bool) { return airC, 0, known }
		s := b.open(&sensor.VL53L1X{ROI: 4, Budget: "33ms"}, sensor.Distance)
		r := read(s)
		good(b.t, 182, 1, r)
		assert.Positive(b.t, r.SD)
		assert.Equal(b.t, byte(0x33), c.mem[0x0080], "4 by 4 receivers, each less one")
		assert.Equal(b.t, byte(0x07), c.mem[0x0060], "short mode")
		assert.Equal(b.t, byte(0x40), c.mem[0x0087], "ranging by timer")
		for i, step := range []struct {
			airC   float64
			starts int
		}{{24, 1}, {17, 1}, {5, 2}, {5, 2}} { // the last two: after a move to the fridge
			airC, known = step.airC, true
			good(b.t, 182, 1, read(s))
			assert.Equal(b.t, step.starts, c.starts, i)
		}
		assert.Equal(b.t, sensor.Recovery{}, s.Recovery())
	})
}

// Status outcomes: ST user manual UM2356, raw codes from memory; error codes: VL6180X
// datasheet DocID026171 and AN4545.
func TestStatusOfRangings(t *testing.T) {
	ok, unsure, far, broken := sensor.OK, sensor.Unreliable, sensor.OutOfRange, sensor.ReadFailed
	codes := func(chip func(float64) *fakeChip, conf sensor.Config, want map[byte]sensor.Status) {
		for code, status := range want {
			onBench(t, func(b *bench) {
				c := chip(64)
				c.code = code
				b.bus.chips = []*fakeChip{c}
				r := read(b.open(conf, sensor.Distance))
				assert.Equal(b.t, status, r.Status, "code %d: %s", code, r.Err)
			})
		}
	}
	codes(fakeLong, &sensor.VL53L1X{}, map[byte]sensor.Status{9: ok, 6: unsure, 4: far, 5: far, 7: unsure, 8: far, 13: far, 12: unsure, 1: broken, 17: broken, 30: unsure,
		9 | 0xe0: ok}) // the upper bits are not part of the code
	codes(fakeShort, &sensor.VL6180X{}, map[byte]sensor.Status{0: ok, 6: far, 7: far, 8: unsure, 9: unsure, 10: unsure, 11: unsure, 12: far, 13: far, 14: far, 15: far,
		1: broken, 2: broken, 3: broken, 4: broken, 5: broken})
}

func TestChipsThatShareABus(t *testing.T) {
	onBench(t, func(b *bench) { // woken one by one and moved
		left, right := fakeLong(100), fakeShort(60)
		b.bus.chips = []*fakeChip{left, right}
		b.pin("GPIO17", left.shut)
		b.pin("GPIO27", right.shut)
		l := b.open(&sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"}, sensor.Distance)
		r := b.open(&sensor.VL6180X{I2C: sensor.I2C{Address: 0x31}, XShut: "GPIO27"}, sensor.Distance)
		good(b.t, 100, 1, read(l))
		good(b.t, 60, 0, read(r))
		assert.Equal(b.t, []uint16{0x30, 0x31}, []uint16{left.addr, right.addr})
		good(b.t, 100, 1, read(l))
		b.bus.chips = append(b.bus.chips, fakeLong(60))
		bad(b.t, sensor.ReadFailed, "another chip answers at 0x29", read(b.open(&sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"}, sensor.Distance)))
		bad(b.t, sensor.Missing, "GPIO line GPIO5 is not there", read(b.open(&sensor.VL53L1X{XShut: "GPIO5"}, sensor.Distance)))
		b.buses.OpenI2C = NewBuses().OpenI2C // this machine has no I2C bus 77
		bad(b.t, sensor.Missing, "I2C bus 77 is not there; switch I2C on", read(b.open(&sensor.VL53L1X{I2C: sensor.I2C{Bus: "77"}}, sensor.Distance)))
	})
	onBench(t, func(b *bench) { // behind a multiplexer
		b.bus.mux, b.bus.chips = 0x70, []*fakeChip{fakeLong(100).at(2), fakeLong(150).at(5)}
		one := b.open(&sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 2}}, sensor.Distance)
		two := b.open(&sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 5}}, sensor.Distance)
		for range 3 {
			good(b.t, 100, 1, read(one))
			good(b.t, 150, 1, read(two))
		}
		bad(b.t, sensor.Missing, "", read(b.open(&sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x71}}, sensor.Distance)))
	})
}

// The raw temperature and its 25.08 C are the worked example of the BMP280
// datasheet (from memory).
func TestBME280(t *testing.T) {
	onBench(t, func(b *bench) {
		c := fakeAir(0x76)
		b.bus.chips = []*fakeChip{c}
		temp, hum := b.open(&sensor.BME280{}, sensor.Temperature), b.open(&sensor.BME280{}, sensor.Humidity)
		good(b.t, 25.08, 0.005, read(temp))
		good(b.t, 0.5, 0.45, read(hum))
		c.Hang = true
		assert.Contains(b.t, said(read(temp)), "hangs")
		c.Hang, c.code = false, 0x58
		assert.Contains(b.t, said(read(b.open(&sensor.BME280{}, sensor.Humidity))), "it is a BMP280")
		c.code = 0x12
		assert.Contains(b.t, said(read(b.open(&sensor.BME280{}, sensor.Temperature))), "is no BME280")
	})
}

func TestDS18B20IsFoundWithoutID(t *testing.T) {
	onBench(t, func(b *bench) {
		s := b.open(&sensor.DS18B20{OffsetC: 0.1}, sensor.Temperature)
		assert.Equal(b.t, sensor.Missing, read(s).Status)
		b.probe(probeID, 20)
		good(b.t, 20.1, 1e-9, read(s))
		b.probe("28-000000000001", 20)
		assert.Contains(b.t, said(read(b.open(&sensor.DS18B20{}, sensor.Temperature))), "2 probes answer; name one by its id (28-0123456789ab, 28-000000000001)")
	})
	// The made-up address 28 A1 B2 C3 D4 E5 00 has the checksum 05 (worked out with
	// Application Note 27).
	a, err := address("28-00e5d4c3b2a1")
	require.NoError(t, err)
	assert.Equal(t, onewire.Address(0x0500e5d4c3b2a128), a)
	for _, wrong := range []string{"", "28", "28-1", "zz-000000000001", "28-00000000000g"} {
		_, err := address(wrong)
		assert.Error(t, err, wrong)
	}
}

// at gives an Air function that knows temperature and humidity.
func at(celsius, humidity float64) sensor.Air {
	return func() (float64, float64, bool) { return celsius, humidity, true }
}

func TestHCSR04(t *testing.T) {
	onBench(t, func(b *bench) {
		dice := rand.New(rand.NewPCG(1, 1))
		b.air = at(25, 0.5)
		dev := &fakePair{mm: 152, speedMPS: sound.Air{Celsius: 25, Humidity: 0.5}.SpeedMPS(), noise: func() float64 { return 1.5 * dice.NormFloat64() }}
		b.pair = dev
		pair := func(s sensor.Sound, l sensor.Limits) *sensor.Driver {
			return b.open(&sensor.HCSR04{Trigger: new(23), Echo: new(24), Sound: s, Limits: l}, sensor.Distance)
		}
		s := pair(sensor.Sound{}, sensor.Limits{OffsetMM: -2})
		r := read(s)
		good(b.t, 150, 1.5, r)
		assert.InDelta(b.t, 0.57, r.SD, 0.4, "1.5 mm over 11 pings")
		assert.Equal(b.t, 11, dev.pings)
		assert.Zero(b.t, dev.short, "trigger of 10 us at least (user guide)")
		assert.Zero(b.t, dev.soon, "60 ms between pings (user guide)")
		require.NoError(b.t, s.Close())
		assert.Equal(b.t, 1, dev.closed)

		b.air = at(24, 0.9)
		dev.mm, dev.noise, dev.speedMPS = 150, nil, sound.Air{Celsius: 24, Humidity: 0.9, CO2: 0.1}.SpeedMPS()
		good(b.t, 150*1.031, 0.2, read(pair(sensor.Sound{}, sensor.Limits{}))) // reads 3.1 % long
		good(b.t, 150, 0.05, read(pair(sensor.Sound{CO2Ratio: 0.1}, sensor.Limits{})))
		b.buses.openLines = openLines
		gone := b.open(&sensor.HCSR04{Device: "/dev/gpiochip99", Trigger: new(23), Echo: new(24)}, sensor.Distance)
		bad(b.t, sensor.Missing, "/dev/gpiochip99 is not there", read(gone))
		require.NoError(b.t, gone.Close())
	})
}

func TestSerialHead(t *testing.T) {
	for name, c := range map[string]struct {
		head   fakeHead
		format string
		status sensor.Status
		why    string
	}{
		"frames":       {fakeHead{mm: 187}, "frame", sensor.OK, ""},
		"text":         {fakeHead{mm: 187, text: true}, "text", sensor.OK, ""},
		"noise":        {fakeHead{mm: 187, noise: []byte{0xff, 0x00, 0x17}}, "", sensor.OK, ""},
		"old bytes":    {fakeHead{mm: 187, old: []byte{0xff, 0x00, 0x50, 0x4f}}, "frame", sensor.OK, ""},
		"wrong format": {fakeHead{mm: 187, text: true}, "frame", sensor.BadData, "check format and baud"},
		"end of range": {fakeHead{mm: 9999, text: true}, "text", sensor.OutOfRange, "nothing in range"},
	} {
		onBench(t, func(b *bench) {
			b.head = &c.head
			r := read(b.open(&sensor.Serial{Device: "/dev/serial0", Format: c.format}, sensor.Distance))
			assert.Equal(b.t, c.status, r.Status, "%s: %v", name, r.Err)
			assert.Contains(b.t, said(r), c.why, name)
			if c.status == sensor.OK {
				assert.Equal(b.t, 187.0, r.Value, name)
			}
		})
	}
}

// frames takes all frames off bytes.
func frames(format string, in []byte) (mm []float64, rest []byte) {
	for len(in) > 0 {
		v, used, ok := nextFrame(format, in)
		if used == 0 {
			break
		}
		if in = in[used:]; ok {
			mm = append(mm, v)
		}
	}
	return mm, in
}

// The frame and text forms are from memory of common heads.
func TestFrames(t *testing.T) {
	for name, c := range map[string]struct {
		format, in string
		want       []float64
		rest       string
	}{
		"one":             {"frame", "\xff\x07\xa1\xa7", []float64{1953}, ""},
		"FF as data":      {"frame", "\xff\x00\xff\xfe\xff\x00\xff\xfe", []float64{255, 255}, ""},
		"begins midway":   {"frame", "\xa1\xa7\xff\x07\xa1\xa7\xff\x07", []float64{1953}, "\xff\x07"},
		"wrong sum":       {"frame", "\xff\x07\xa1\xa8\xff\x00\x64\x63", []float64{100}, ""},
		"text":            {"text", "R0187\rR1200\rR01", []float64{187, 1200}, "R01"},
		"text, line ends": {"text", "R0187\r\nR0188\r\n", []float64{187, 188}, ""},
		"text, garbage":   {"text", "xx\rR01x7\rR0189\r", []float64{189}, ""},
		"text, endless":   {"text", "RRRRRRRRRRRRRRRRRRRRRRRR", nil, ""},
	} {
		mm, rest := frames(c.format, []byte(c.in))
		assert.Equal(t, c.want, mm, name)
		assert.Equal(t, c.rest, string(rest), name)
	}
}

func FuzzFrames(f *testing.F) {
	f.Add([]byte("\xff\x07\xa1\xa7"), 2, false)
	f.Add([]byte("R0187\rR12"), 3, true)
	f.Fuzz(func(t *testing.T, in []byte, cut int, text bool) {
		format := map[bool]string{true: formatText, false: formatFrame}[text]
		whole, rest := frames(format, in)
		if len(rest) > longestLine {
			t.Fatalf("keeps %d bytes", len(rest))
		}
		cut = min(max(cut, 0), len(in))
		first, held := frames(format, in[:cut])
		second, _ := frames(format, slices.Concat(held, in[cut:]))
		if !text && len(first)+len(second) != len(whole) {
			t.Fatalf("%d frames at once, %d + %d in two parts", len(whole), len(first), len(second))
		}
	})
}

func FuzzParseW1(f *testing.F) {
	f.Add(good25)
	f.Add("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n")
	f.Add("00 00 00 00 00 00 00 00 00 : crc=00 YES\n t=0")
	f.Add("9101 014b 46 7f ff 0f 10 25 25 : crc=25 YES\n t=0")
	f.Fuzz(func(t *testing.T, s string) {
		for _, family := range []string{"28", "10"} {
			if v, err := parseW1(s, family); err == nil && !(v >= -55 && v <= 125) {
				t.Fatalf("accepted %v C from %q", v, s)
			}
		}
	})
}

func FuzzIIO(f *testing.F) {
	f.Add("187", "0.001000", "")
	f.Add("8190\n", "1e-3", "0")
	f.Add("1e400", "nan", "-")
	root := f.TempDir()
	f.Fuzz(func(t *testing.T, raw, scale, offset string) {
		b := bench{t: t, root: root, buses: NewBuses()}
		b.put(iio0+"in_distance_raw", raw)
		b.put(iio0+"in_distance_scale", scale)
		b.put(iio0+"in_distance_offset", offset)
		r := read(b.open(&sensor.IIO{}, sensor.Distance))
		if r.Status == sensor.OK && !(r.Value >= 5 && r.Value <= 4000) {
			t.Fatalf("accepted %v mm from %q %q %q", r.Value, raw, scale, offset)
		}
		if r.Status != sensor.OK && (r.Err == nil || r.Value == r.Value) {
			t.Fatalf("fault %q without reason or with a value", r.Status)
		}
	})
}
