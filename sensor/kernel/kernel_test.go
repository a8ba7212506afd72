package kernel_test

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/kernel"
	"tidemark/sensor/sensortest"
)

// tree is a folder that stands in for /sys.
type tree struct {
	t    *testing.T
	root string
}

func newTree(t *testing.T) tree { return tree{t, t.TempDir()} }

// put writes a file, with its folders.
func (tr tree) put(path, text string) { sensortest.Put(tr.t, tr.root, path, text) }

// drop removes a file or folder.
func (tr tree) drop(path string) {
	tr.t.Helper()
	require.NoError(tr.t, os.RemoveAll(filepath.Join(tr.root, path)))
}

const (
	probe  = "bus/w1/devices/28-0123456789ab"
	slave  = probe + "/w1_slave"
	good25 = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
)

// The texts follow the kernel's w1_therm documentation; the checksums were
// worked out with Application Note 27.
func TestW1(t *testing.T) {
	for name, c := range map[string]struct {
		text   string
		status sensor.Status
		value  float64
		reason string
	}{
		"good":             {good25, sensor.OK, 25.062, ""},
		"lower case yes":   {"91 01 4b 46 7f ff 0f 10 25 : crc=25 yes\n91 01 4b 46 7f ff 0f 10 25 t=25062\n", sensor.OK, 25.062, ""},
		"negative":         {"5e ff 4b 46 7f ff 02 10 b6 : crc=b6 YES\n5e ff 4b 46 7f ff 02 10 b6 t=-10125\n", sensor.OK, -10.125, ""},
		"crc no, stale t":  {"92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n", sensor.BadData, 0, "checksum of the probe's answer is wrong; the value was thrown away"},
		"power-on":         {"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n", sensor.PowerOn, 0, "the probe says exactly 85.0\u00a0°C, its value after power-on: no measurement was made; check its supply and pull-up"},
		"all ones":         {"ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n", sensor.Missing, 0, "the probe does not answer (all ones); check its wiring"},
		"all ones, passed": {"ff ff ff ff ff ff ff ff ff : crc=ff YES\nff ff ff ff ff ff ff ff ff t=-62\n", sensor.Missing, 0, "the probe does not answer (all ones); check its wiring"},
		"all zeros":        {"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", sensor.BadData, 0, "the probe's answer is all zeros: the data line is held low or shorted"},
		"too little power": {"ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937\n", sensor.PowerOn, 0, "the probe says 127.9\u00a0°C: it had too little power to measure; check its supply wire and pull-up"},
		"empty":            {"", sensor.ReadFailed, 0, "w1_slave is empty: the conversion failed"},
		"cut off":          {"91 01 4b 46 7f ff 0f 10 25 : crc=25 YES", sensor.BadData, 0, "where nine bytes, their checksum"},
		"t of another":     {"91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=19062\n", sensor.BadData, 0, "the kernel gives 19.1\u00a0°C but the probe's bytes mean 25.1\u00a0°C"},
		"t no number":      {"91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25.1\n", sensor.BadData, 0, "where nine bytes, their checksum"},
		"no t":             {"91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\nxx\n", sensor.BadData, 0, "where nine bytes, their checksum"},
		"bad byte":         {"9z 01 4b 46 7f ff 0f 10 25 : crc=25 YES\nt=1\n", sensor.BadData, 0, "where nine bytes, their checksum"},
		"bad verdict":      {"91 01 4b 46 7f ff 0f 10 25 : crc=25 MAYBE\nt=25062\n", sensor.BadData, 0, "where nine bytes, their checksum"},
		"garbage":          {"hello\nworld\n", sensor.BadData, 0, "where nine bytes, their checksum"},
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTree(t)
			tr.put(slave, c.text)
			r := kernel.NewW1(tr.root, sensor.W1{}).Read(t.Context())
			assert.Equal(t, c.status, r.Status, r.Err)
			assert.Contains(t, said(r), c.reason)
			if c.status == sensor.OK {
				assert.InDelta(t, c.value, r.Value, 1e-9)
			} else {
				assert.True(t, r.Value != r.Value, "a fault has no value")
				assert.Error(t, r.Err)
			}
		})
	}
}

func TestW1WithoutIDNeedsExactlyOneProbe(t *testing.T) {
	tr := newTree(t)
	w := kernel.NewW1(tr.root, sensor.W1{})
	assert.Contains(t, said(w.Read(t.Context())), "no 1-wire probe under")
	tr.put(slave, good25)
	assert.Equal(t, sensor.OK, w.Read(t.Context()).Status)
	tr.put("bus/w1/devices/28-0000000000ff/w1_slave", good25)
	r := w.Read(t.Context())
	assert.Equal(t, sensor.Missing, r.Status)
	assert.Contains(t, said(r), "2 probes answer; name one by its id (28-0000000000ff, 28-0123456789ab)")
	assert.Equal(t, []string{"28-0000000000ff", "28-0123456789ab"}, kernel.W1Probes(tr.root))
}

const iio0 = "bus/iio/devices/iio:device0/"

// The kernel reckons with 343.5 m/s: 870 us give 149 mm (srf04.c: ns x 106 /
// 617176). At 25 C and 50 % humidity the true factor is about 1.010.
func TestSRF04UndoesTheKernelsSpeed(t *testing.T) {
	tr := newTree(t)
	assert.Equal(t, 149, 870_000*106/617_176)
	air := func() (float64, float64, bool) { return 25, 0.5, true }
	s := kernel.NewSRF04(tr.root, sensor.SRF04{Sound: sensor.Sound{Pings: 3}}, air)
	assert.Equal(t, sensor.Missing, s.Read(t.Context()).Status)
	tr.put(iio0+"name", "srf04")
	tr.put(iio0+"in_distance_raw", "149")
	tr.put(iio0+"in_distance_scale", "0.001")
	r := s.Read(t.Context())
	require.Equal(t, sensor.OK, r.Status, r.Err)
	assert.InDelta(t, 149*1.010, r.Value, 0.1)
	require.NoError(t, s.Close())
}

// Names and scales: kernel ABI text sysfs-bus-iio and the drivers srf04,
// vl53l0x and vl6180.
func TestIIODistance(t *testing.T) {
	for name, c := range map[string]struct {
		chip, raw, scale string
		status           sensor.Status
		mm               float64
		reason           string
	}{
		"worked example":    {"vl53l0x", "187", "0.001000", sensor.OK, 187, ""},
		"nothing in range":  {"vl53l0x", "8190", "0.001", sensor.OutOfRange, 0, "its code 8190"},
		"relative sentinel": {"vl53l0x", "8191", "0.001", sensor.OutOfRange, 0, "its code 8191"},
		"film over window":  {"vl53l0x", "24", "0.001", sensor.OutOfRange, 0, "24 mm is nearer than the sensor can be believed (30 mm)"},
		"too far":           {"vl53l0x", "1500", "0.001", sensor.OutOfRange, 0, "1500 mm is farther than expected here (1200 mm)"},
		"vl6180 no target":  {"vl6180", "255", "0.001", sensor.OutOfRange, 0, "its code 255"},
		"zero":              {"srf04", "0", "0.001", sensor.OutOfRange, 0, "nearer"},
		"negative":          {"srf04", "-5", "0.001", sensor.OutOfRange, 0, "nearer"},
		"no number":         {"srf04", "abc", "0.001", sensor.BadData, 0, `in_distance_raw holds "abc", which is not a number`},
		"not finite":        {"srf04", "nan", "0.001", sensor.BadData, 0, "not a number"},
		"empty":             {"srf04", "", "0.001", sensor.ReadFailed, 0, "in_distance_raw is empty"},
		"scale empty":       {"srf04", "120", "", sensor.ReadFailed, 0, "in_distance_scale is empty"},
		"scale missing":     {"srf04", "120", "-", sensor.Missing, 0, "in_distance_scale is not there"},
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTree(t)
			tr.put(iio0+"name", c.chip+"\n")
			tr.put(iio0+"in_distance_raw", c.raw+"\n")
			if c.scale != "-" {
				tr.put(iio0+"in_distance_scale", c.scale+"\n")
			}
			r := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{Name: c.chip}).Read(t.Context())
			assert.Equal(t, c.status, r.Status, r.Err)
			assert.Contains(t, said(r), c.reason)
			if c.status == sensor.OK {
				assert.InDelta(t, c.mm, r.Value, 1e-9)
			}
		})
	}
}

func TestIIOProcessedValueAndOffset(t *testing.T) {
	tr := newTree(t)
	tr.put(iio0+"in_distance_input", "0.1825")
	r := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{Limits: sensor.Limits{OffsetMM: -2.5}}).Read(t.Context())
	assert.InDelta(t, 180, r.Value, 1e-9)
	limits := sensor.IIO{Limits: sensor.Limits{MinMM: 50, MaxMM: 150}}
	assert.Equal(t, sensor.OutOfRange, kernel.NewIIO(tr.root, sensor.Distance, limits).Read(t.Context()).Status)
}

func TestIIOTemperatureAndHumidity(t *testing.T) {
	tr := newTree(t)
	tr.put(iio0+"name", "bme280")
	tr.put(iio0+"in_temp_raw", "3200")
	tr.put(iio0+"in_temp_offset", "-1000")
	tr.put(iio0+"in_temp_scale", "10")
	tr.put(iio0+"in_humidityrelative_input", "45500")
	c := kernel.NewIIO(tr.root, sensor.Temperature, sensor.IIO{}).Read(t.Context())
	assert.InDelta(t, 22, c.Value, 1e-9, "worked from the kernel's formula (raw + offset) x scale")
	h := kernel.NewIIO(tr.root, sensor.Humidity, sensor.IIO{}).Read(t.Context())
	assert.InDelta(t, 0.455, h.Value, 1e-9)
	tr.put(iio0+"in_temp_raw", "32000")
	assert.Equal(t, sensor.OutOfRange, kernel.NewIIO(tr.root, sensor.Temperature, sensor.IIO{}).Read(t.Context()).Status)
	tr.put(iio0+"in_humidityrelative_input", "145500")
	assert.Equal(t, sensor.OutOfRange, kernel.NewIIO(tr.root, sensor.Humidity, sensor.IIO{}).Read(t.Context()).Status)
}

func TestIIOFindsTheDeviceAnew(t *testing.T) {
	tr := newTree(t)
	d := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{Name: "vl53l0x"})
	defer d.Close()
	assert.Contains(t, said(d.Read(t.Context())), "no device for IIO distance (vl53l0x) is there")
	for _, n := range []string{"0", "3"} { // renumbered after unplugging
		dir := "bus/iio/devices/iio:device" + n + "/"
		tr.put(dir+"name", "vl53l0x")
		tr.put(dir+"in_distance_raw", "120")
		tr.put(dir+"in_distance_scale", "0.001")
		assert.Equal(t, 120.0, d.Read(t.Context()).Value)
		tr.drop(dir)
	}
	tr.put("bus/iio/devices/iio:device1/in_distance_raw", "1")
	tr.put("bus/iio/devices/iio:device2/in_distance_raw", "1")
	several := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{}).Read(t.Context())
	assert.Contains(t, said(several), "2 devices for IIO distance found (iio:device1, iio:device2); choose one with device")
	one := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{Device: "iio:device2"}).Read(t.Context())
	assert.Contains(t, said(one), "in_distance_scale is not there")
}

func TestIIOStuckChip(t *testing.T) {
	tr := newTree(t)
	tr.put(iio0+"name", "vl53l0x")
	tr.put(iio0+"in_distance_raw", "120")
	tr.put(iio0+"in_distance_scale", "0.001")
	synctest.Test(t, func(t *testing.T) {
		d := kernel.NewIIO(tr.root, sensor.Distance, sensor.IIO{})
		var r sensor.Reading
		for range 310 {
			r = d.Read(t.Context())
			time.Sleep(time.Second)
		}
		assert.Equal(t, sensor.Stuck, r.Status, r.Err)
		tr.put(iio0+"in_distance_raw", "121")
		assert.Equal(t, sensor.OK, d.Read(t.Context()).Status)
	})
}

func TestHwmon(t *testing.T) {
	tr := newTree(t)
	h := kernel.NewHwmon(tr.root, sensor.Temperature, sensor.Hwmon{Name: "sht3x", OffsetC: -0.25})
	defer h.Close()
	assert.Equal(t, sensor.Missing, h.Read(t.Context()).Status)
	tr.put("class/hwmon/hwmon0/name", "cpu_thermal")
	tr.put("class/hwmon/hwmon0/temp1_input", "48000")
	tr.put("class/hwmon/hwmon2/name", "sht3x")
	tr.put("class/hwmon/hwmon2/temp1_input", "23250")
	tr.put("class/hwmon/hwmon2/humidity1_input", "51200")
	assert.InDelta(t, 23, h.Read(t.Context()).Value, 1e-9)
	hum := kernel.NewHwmon(tr.root, sensor.Humidity, sensor.Hwmon{})
	assert.InDelta(t, 0.512, hum.Read(t.Context()).Value, 1e-9)
	byFolder := kernel.NewHwmon(tr.root, sensor.Temperature, sensor.Hwmon{Device: "hwmon0", Channel: "temp1"})
	assert.InDelta(t, 48, byFolder.Read(t.Context()).Value, 1e-9)
	tr.put("class/hwmon/hwmon2/temp1_fault", "1")
	assert.Equal(t, sensor.Unreliable, h.Read(t.Context()).Status)
	tr.put("class/hwmon/hwmon2/temp1_fault", "0")
	tr.put("class/hwmon/hwmon2/temp1_input", "-90000")
	assert.Equal(t, sensor.OutOfRange, h.Read(t.Context()).Status)
}

func FuzzParseW1(f *testing.F) {
	f.Add(good25)
	f.Add("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n")
	f.Add("00 00 00 00 00 00 00 00 00 : crc=00 YES\n t=0")
	f.Add("9101 014b 46 7f ff 0f 10 25 25 : crc=25 YES\n t=0")
	f.Fuzz(func(t *testing.T, s string) {
		for _, family := range []string{"28", "10"} {
			v, err := kernel.ParseW1(s, family)
			if err == nil && !(v >= -55 && v <= 125) {
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
		tr := tree{t, root}
		tr.put(iio0+"in_distance_raw", raw)
		tr.put(iio0+"in_distance_scale", scale)
		tr.put(iio0+"in_distance_offset", offset)
		r := kernel.NewIIO(root, sensor.Distance, sensor.IIO{}).Read(t.Context())
		if r.Status == sensor.OK && !(r.Value >= 5 && r.Value <= 4000) {
			t.Fatalf("accepted %v mm from %q %q %q", r.Value, raw, scale, offset)
		}
		if r.Status != sensor.OK && (r.Err == nil || r.Value == r.Value) {
			t.Fatalf("fault %q without reason or with a value", r.Status)
		}
	})
}

// said is why a reading has no value, in English.
func said(r sensor.Reading) string { return text.New(text.Locale{}).Error(r.Err) }
