package survey

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/source"
)

const goodProbe = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"

func TestCheckJudges(t *testing.T) {
	root := t.TempDir()
	sensortest.Put(t, root, "bus/w1/devices/28-0123456789ab/w1_slave", goodProbe)
	sensortest.Put(t, root, "bus/iio/devices/iio:device0/name", "srf04x")
	sensortest.Put(t, root, "bus/iio/devices/iio:device0/in_distance_raw", "8190")
	sensortest.Put(t, root, "bus/iio/devices/iio:device0/in_distance_scale", "0.001")
	synctest.Test(t, func(t *testing.T) {
		n := 0
		time.AfterFunc(100*time.Millisecond, func() { n++ })
		results := Check(t.Context(), []Result{
			{Vessel: "tub", Role: "dough", Quantity: sensor.Temperature, Config: &sensor.W1{}},
			{Vessel: "tub", Role: "height", Quantity: sensor.Distance, Config: &sensor.IIO{}},
			{Vessel: "tub", Role: "air", Quantity: sensor.Temperature, Config: &sensor.Hwmon{Name: "sht3x"}},
			{Vessel: "tub", Role: "air", Quantity: sensor.Temperature, Config: &sensor.VL53L1X{}},
		}, source.Env{SysfsRoot: root}, 10*time.Second)
		require.Len(t, results, 4)
		good := results[0]
		assert.Equal(t, Good, good.Verdict)
		assert.InDelta(t, 25.062, good.Value, 1e-9)
		assert.GreaterOrEqual(t, good.Usable, 10)
		assert.Empty(t, good.Advice)
		far := results[1]
		assert.Equal(t, Failed, far.Verdict)
		assert.Contains(t, english().Error(far.Problem), "its code 8190")
		assert.Contains(t, english().Say(far.Advice[0], nil), "over the vessel")
		gone := results[2]
		assert.Equal(t, Failed, gone.Verdict)
		assert.Contains(t, english().Error(gone.Problem), "no device for hwmon temp1 (sht3x) is there")
		assert.NotEmpty(t, gone.Advice)
		assert.True(t, math.IsNaN(gone.Value))
		assert.Contains(t, english().Error(results[3].Problem), `"vl53l1x" does not measure temperature`)
	})
}

func TestEveryFaultHasAdvice(t *testing.T) {
	for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
		for _, c := range sensor.Kinds(q) {
			for _, s := range []sensor.Status{sensor.Missing, sensor.ReadFailed, sensor.BadData, sensor.PowerOn, sensor.OutOfRange, sensor.Unreliable, sensor.Stale, sensor.Stuck} {
				keys := advise(c, s)
				assert.NotEmpty(t, keys, "%s %s", sensor.KindOf(c), s)
				for _, key := range keys {
					assert.True(t, english().Has(key), key)
				}
			}
		}
	}
}

// fakeChip is a chip that a scan may find: an address, what its registers hold, and behind
// which ports of the multiplexer it is, a bit each; 0 is the bus itself.
type fakeChip struct {
	addr uint16
	regs map[string]string
	port byte
}

// at is the chip behind a port.
func (c fakeChip) at(port int) fakeChip { c.port = 1 << port; return c }

// The identities: see package source.
var (
	long  = fakeChip{0x29, map[string]string{"\x01\x0f": "\xea\xcc"}, 0}
	short = fakeChip{0x29, map[string]string{"\x00\x00": "\xb4"}, 0}
	air77 = fakeChip{0x77, map[string]string{"\xd0": "\x60"}, 0}
)

// fakeBus is an I2C bus. Chips that share an address pull the data line low together.
type fakeBus struct {
	i2c.BusCloser
	chips []fakeChip
	mux   uint16 // address of its multiplexer; 0 = none
	open  byte   // ports of it, a bit each
}

func (b *fakeBus) Close() error { return nil }

func (b *fakeBus) Tx(addr uint16, w, r []byte) error {
	if b.mux != 0 && addr == b.mux {
		if len(w) > 0 {
			b.open = w[len(w)-1]
		}
		copy(r, slices.Repeat([]byte{b.open}, len(r)))
		return nil
	}
	copy(r, slices.Repeat([]byte{0xff}, len(r)))
	err := errors.New("remote I/O error")
	for _, c := range b.chips {
		if c.addr != addr || c.port != 0 && b.open&c.port == 0 {
			continue
		}
		err = nil
		held := c.regs[string(w)] + strings.Repeat("\x00", len(r))
		for i := range r {
			r[i] &= held[i]
		}
	}
	return err
}

// scan looks at a machine with some kernel files and devices, and one I2C bus.
func scan(t *testing.T, files, devices map[string]string, bus i2c.BusCloser) []Found {
	env := source.Env{SysfsRoot: t.TempDir(), DevRoot: t.TempDir(), Buses: source.NewBuses()}
	for path, text := range files {
		sensortest.Put(t, env.SysfsRoot, path, text)
	}
	for path := range devices {
		sensortest.Put(t, env.DevRoot, path, "")
	}
	env.Buses.OpenI2C = func(string) (i2c.BusCloser, error) { return bus, nil }
	found := Scan(t.Context(), env)
	for i, f := range found {
		require.True(t, english().Has(f.Bus.Key), f.Bus.Key)
		for _, key := range f.Advice {
			require.True(t, english().Has(key), key)
		}
		if f.Config != nil {
			assert.NoError(t, sensor.Check(f.Config, f.Quantity), "%+v", f.Config)
		}
		found[i].Place = strings.Replace(f.Place, env.DevRoot, "/dev", 1)
	}
	return found
}

func TestScanFinds(t *testing.T) {
	bus := &fakeBus{chips: []fakeChip{long, air77, short.at(3)}, mux: 0x71}
	var all []string
	for _, f := range scan(t, map[string]string{
		"bus/w1/devices/28-0123456789ab/w1_slave": goodProbe, "bus/iio/devices/iio:device0/name": "vl53l0x\n", "bus/iio/devices/iio:device0/in_distance_raw": "187",
		"class/hwmon/hwmon0/name": "cpu_thermal", "class/hwmon/hwmon0/temp1_input": "50000", "class/hwmon/hwmon1/name": "sht3x", "class/hwmon/hwmon1/temp1_input": "23000",
	}, map[string]string{"i2c-1": "", "gpiochip0": "", "serial/by-id/usb-adapter": ""}, bus) {
		all = append(all, strings.TrimSpace(f.Place+": "+english().Value("", f.What)+" "+f.Role))
	}
	assert.Equal(t, []string{
		"1-wire: thermometer 28-0123456789ab dough",
		"I2C bus 1: VL53L1X, distance at 0x29 height",
		"I2C bus 1: BME280, temperature at 0x77 air",
		"I2C bus 1: BME280, humidity at 0x77 humidity",
		"I2C bus 1: multiplexer at 0x71",
		"I2C bus 1, multiplexer 0x71 port 3: a chip at 0x29 that is not known; if there are several, keep all but one in shutdown",
		"iio:device0: vl53l0x, distance height",
		"hwmon0: cpu_thermal, temperature",
		"hwmon1: sht3x, temperature air",
		"/dev/gpiochip0: lines for an ultrasonic pair, shutdown and supply lines",
		"/dev/serial/by-id/usb-adapter: serial line",
	}, all, "with the multiplexer's port open two chips at 0x29 answer at once")
}

// A bus without an answer is on: to switch it on would be the wrong advice.
func TestScanOfASilentBus(t *testing.T) {
	found := scan(t, nil, map[string]string{"i2c-0": ""}, &fakeBus{})
	require.Len(t, found, 6)
	assert.Equal(t, []string{"scan.w1.none"}, found[0].Advice)
	assert.Equal(t, "I2C bus 0 scan.empty", found[1].Place+" "+found[1].What.Key)
	assert.Empty(t, found[1].Advice)
}

func TestScanBehindAMultiplexer(t *testing.T) {
	bus := &fakeBus{chips: []fakeChip{long.at(2), short.at(7)}, mux: 0x70}
	var found []sensor.Config
	for _, f := range scan(t, nil, map[string]string{"i2c-3": ""}, bus) {
		if f.Config != nil {
			found = append(found, f.Config)
		}
	}
	assert.Equal(t, []sensor.Config{&sensor.VL53L1X{I2C: sensor.I2C{Bus: "3", Mux: 0x70, Port: 2}}, &sensor.VL6180X{I2C: sensor.I2C{Bus: "3", Mux: 0x70, Port: 7}}}, found)
}

// Spot = 2 d tan(angle/2), worked out apart from this code: at 100 mm 15 degrees
// see 26 mm, 25 see 44, 27 see 48; an 85 mm jar allows 192 mm at 25 degrees and
// 177 at 27.
func TestSpot(t *testing.T) {
	assert.InDelta(t, 26, spotMM(100, 15), 0.5)
	assert.InDelta(t, 44, spotMM(100, 25), 0.5)
	assert.InDelta(t, 48, spotMM(100, 27), 0.5)
	assert.InDelta(t, 85, spotMM(192, 25), 0.5)
	assert.InDelta(t, 85, spotMM(177, 27), 0.5)
}

func TestRemarks(t *testing.T) {
	jar := Inside{TopMM: 150, WidthMM: func(float64) float64 { return 85 }}
	tof := &sensor.VL53L1X{}
	assert.Empty(t, remarks(&sensor.VL53L1X{ROI: 4}, jar, 210))
	for _, c := range []struct {
		conf  sensor.Config
		in    Inside
		floor float64
		want  string
	}{
		{tof, jar, 60, "it sees the rim or something in the vessel, not the floor"},
		{tof, jar, 170, "a full vessel would come to 20 mm from the sensor, nearer than the 40 mm it needs: raise the sensor by 20 mm"},
		{tof, jar, 210, "but the vessel is 85 mm wide there: set roi: 4 for a narrower view, or lower the sensor or take a wider vessel"},
		{&sensor.HCSR04{Limits: sensor.Limits{MaxMM: 300}}, Inside{}, 400, "farther than the sensor can be believed"},
		{&sensor.HCSR04{}, Inside{TopMM: 100, WidthMM: func(h float64) float64 { return 40 }}, 400, "a spot 79 mm wide"},
	} {
		var said []string
		for _, r := range remarks(c.conf, c.in, c.floor) {
			said = append(said, english().Value("", r))
		}
		assert.Contains(t, strings.Join(said, "\n"), c.want)
	}
}

// water is a sensor over a vessel that is filled.
type water struct {
	mm    float64
	noise float64
	dice  *rand.Rand
	bad   bool
}

func (w *water) Read(context.Context) sensor.Reading {
	if w.bad {
		return sensor.Taken(sensor.Distance, 0, 0, sensor.Fault(sensor.OutOfRange, "range.empty"))
	}
	return sensor.Taken(sensor.Distance, w.mm+w.noise*w.dice.NormFloat64(), 0, nil)
}
func (w *water) Close() error { return nil }

func TestCalibration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &water{mm: 240, noise: 1, dice: rand.New(rand.NewPCG(1, 2))}
		level := func() (Level, error) { return Measure(t.Context(), w, 10*time.Second) }
		c := NewCalibration(&sensor.HCSR04{}, Inside{TopMM: 200})
		_, err := c.Pour(1, level)
		assert.Contains(t, english().Error(err), "the empty vessel was not measured yet")
		_, _, err = c.Result()
		assert.Error(t, err)
		w.bad = true
		err = c.Empty(level)
		assert.Contains(t, english().Error(err), "no usable reading: nothing in range")
		w.bad = false
		w.noise = 30
		err = c.Empty(level)
		assert.Contains(t, english().Error(err), "jump about")
		w.noise = 1
		require.NoError(t, c.Empty(level))
		assert.InDelta(t, 240, c.Floor.MM, 1.5)
		assert.Empty(t, c.Remarks)
		for _, step := range [][2]float64{{190, 1}, {140, 2.2}, {90, 3.6}} {
			w.mm = step[0]
			h, err := c.Pour(step[1], level)
			require.NoError(t, err)
			assert.InDelta(t, 240-step[0], h, 2)
		}
		_, err = c.Pour(4, level)
		assert.Contains(t, english().Error(err), "pour more between two steps")
		_, err = c.Pour(3, level)
		assert.Contains(t, english().Error(err), "give the total, not what was added")
		_, err = c.Pour(-1, level)
		assert.Contains(t, english().Error(err), "expected the total volume in litres")
		floor, profile, err := c.Result()
		require.NoError(t, err)
		assert.InDelta(t, 240, floor, 1.5)
		require.Len(t, profile, 4)
		assert.Equal(t, [2]float64{0, 0}, profile[0])
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err = Measure(ctx, w, 10*time.Second)
		assert.ErrorIs(t, err, context.Canceled)
	})
}

// english says the sentences of the catalogue.
func english() *text.Localizer { return text.New(text.Locale{}) }
