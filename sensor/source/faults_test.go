package source_test

import (
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/echo"
	"tidemark/sensor/fake"
	"tidemark/sensor/kernel"
	"tidemark/sensor/poll"
)

var update = flag.Bool("update", false, "rewrite the fault table in testdata")

// stage is what a fault is played on.
type stage struct {
	t     *testing.T
	clock sensor.Clock
	root  string // stands in for /sys
	bus   *fake.Bus
	one   *fake.OneWire
	pins  map[string]*fake.Pin
	hub   *chip.Hub
}

func newStage(t *testing.T, root string) *stage {
	s := &stage{t: t, clock: sensor.SystemClock(), root: root, bus: &fake.Bus{Name: t.Name()}, one: &fake.OneWire{}, pins: map[string]*fake.Pin{}}
	s.hub = chip.NewHub()
	s.hub.OpenI2C = func(string) (i2c.BusCloser, error) { return s.bus, nil }
	s.hub.OpenOneWire = func(string) (onewire.BusCloser, error) { return s.one, nil }
	s.hub.Pin = func(name string) (gpio.PinOut, error) { return s.pins[name], nil }
	return s
}

// put writes a kernel file; drop removes one.
func (s *stage) put(path, text string) {
	full := filepath.Join(s.root, path)
	require.NoError(s.t, os.MkdirAll(filepath.Dir(full), 0o755))
	require.NoError(s.t, os.WriteFile(full, []byte(text), 0o644))
}

func (s *stage) drop(path string) { require.NoError(s.t, os.RemoveAll(filepath.Join(s.root, path))) }

// common is what chips get.
func (s *stage) common(p chip.Place) chip.Common {
	return chip.Common{Hub: s.hub, Place: p, Clock: s.clock}
}

// scene is one sensor that sees want, with ways to break and heal it.
type scene struct {
	sensor string
	want   float64
	set    func(s *stage) (sensor.Source, map[string]deed)
}

// deed breaks a sensor and heals it again. A nil heal means that the sensor must
// come back by itself.
type deed struct{ hurt, heal func() }

// outcome is a row of the table.
type outcome struct {
	sensor, fault string
	seen          string
	after, back   time.Duration // until the fault was reported; from the heal until the next good value
	ok            bool
	slowed        bool // the poller had begun to ask less often
	recovery      sensor.Recovery
	root          string // stands in for /sys
}

const (
	breakAt = 5 * time.Second
	healAt  = 35 * time.Second
	endAt   = 4 * time.Minute
)

// play runs one fault of a scene at one reading a second.
func play(t *testing.T, sc scene, fault string) outcome {
	out := outcome{sensor: sc.sensor, fault: fault}
	root := t.TempDir()
	out.root = root
	synctest.Test(t, func(t *testing.T) {
		stage := newStage(t, root)
		src, deeds := sc.set(stage)
		d := deeds[fault]
		start := time.Now()
		var hurtAt, healedAt time.Duration // zero: not yet
		good := 0
		last := time.Duration(0)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(endAt, cancel)
		poll.Run(ctx, stage.clock, []poll.Job{{Bus: "b", Source: src, Quantity: sensor.Distance, Every: time.Second, Timeout: 5 * time.Second,
			Deliver: func(r sensor.Reading) {
				now := time.Since(start)
				out.slowed = out.slowed || !out.ok && now-last > 7*time.Second
				last = now
				switch {
				case r.Status == sensor.OK && math.Abs(r.Value-sc.want) > 1.5:
					assert.Fail(t, "a wrong value was served as good", "%s, %s: %v", sc.sensor, fault, r.Value)
				case r.Status == sensor.OK && hurtAt == 0:
					good++
				case r.Status == sensor.OK && healedAt > 0 && !out.ok:
					out.ok, out.back = true, now-healedAt
				case r.Status != sensor.OK && hurtAt > 0 && out.seen == "":
					out.seen, out.after = fmt.Sprintf("%s: %s", r.Status, r.Reason), now-hurtAt
				case r.Status != sensor.OK && out.ok:
					assert.Fail(t, "fails again after it was good", "%s, %s: %s at %s: %s", sc.sensor, fault, r.Status, now, r.Reason)
				}
				// Between two readings, so that nobody else looks at the chip.
				switch {
				case hurtAt == 0 && now >= breakAt:
					d.hurt()
					hurtAt = now
					if d.heal == nil {
						healedAt = now
					}
				case healedAt == 0 && now >= healAt:
					d.heal()
					healedAt = now
				}
			}}})
		assert.Positive(t, good, "%s works before it is broken", sc.sensor)
		if rec, ok := src.(sensor.Recoverer); ok {
			out.recovery = rec.Recovery()
		}
		time.Sleep(time.Minute) // lets readings that were given up end
		assert.NoError(t, src.Close())
		assert.NoError(t, stage.hub.Close())
	})
	return out
}

// flip makes a deed that sets and unsets a switch.
func flip(b *bool) deed { return deed{func() { *b = true }, func() { *b = false }} }

// scenes lists the sensors and their faults.
func scenes() []scene {
	return []scene{
		{"DS18B20, kernel files", 25.062, w1Scene}, {"VL53L0X, kernel files", 187, iioScene},
		{"DS18B20, own bus", 24.8125, probeScene}, {"DS18B20, own bus, supply line", 24.8125, poweredProbeScene},
		{"VL53L1X", 182, vl53l1xScene}, {"VL53L1X, shutdown line", 182, shutScene}, {"VL53L1X, multiplexer", 182, muxScene},
		{"VL6180X", 64, vl6180xScene}, {"BME280, humidity", 0, bme280Scene},
		{"HC-SR04", 150, hcsr04Scene}, {"serial head", 187, serialScene},
	}
}

func w1Scene(s *stage) (sensor.Source, map[string]deed) {
	const dir, good = "bus/w1/devices/28-0123456789ab", "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	file := dir + "/w1_slave"
	heal := func() { s.put(file, good) }
	heal()
	say := func(text string) deed { return deed{func() { s.put(file, text) }, heal} }
	return kernel.NewW1(s.root, "28-0123456789ab", 0, s.clock), map[string]deed{
		"folder vanishes":             {func() { s.drop(dir) }, heal},
		"empty file":                  say(""),
		"checksum NO, stale bytes":    say("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n"),
		"85.000 after power-on":       say("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"),
		"all ones (-0.0625)":          say("ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n"),
		"all zeros":                   say("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"),
		"127.94, too little power":    say("ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937\n"),
		"the kernel reports an error": {func() { s.drop(file); s.put(file+"/x", "") }, func() { s.drop(file); heal() }},
	}
}

func iioScene(s *stage) (sensor.Source, map[string]deed) {
	const dir = "bus/iio/devices/iio:device0/"
	heal := func() {
		s.put(dir+"name", "vl53l0x")
		s.put(dir+"in_distance_raw", "187")
		s.put(dir+"in_distance_scale", "0.001")
	}
	heal()
	say := func(raw string) deed { return deed{func() { s.put(dir+"in_distance_raw", raw) }, heal} }
	return kernel.NewIIO(s.root, sensor.Distance, kernel.IIOOptions{Name: "vl53l0x"}, s.clock), map[string]deed{
		"8190, nothing in range":  say("8190"),
		"garbage of 24 mm":        say("24"),
		"empty file":              say(""),
		"device vanishes":         {func() { s.drop(dir) }, heal},
		"renumbered after replug": {func() { s.drop(dir); s.moveIIO() }, nil},
		"no number":               say("--"),
	}
}

// moveIIO puts the device back under another number.
func (s *stage) moveIIO() {
	const dir = "bus/iio/devices/iio:device4/"
	s.put(dir+"name", "vl53l0x")
	s.put(dir+"in_distance_raw", "187")
	s.put(dir+"in_distance_scale", "0.001")
}

// addProbe puts a probe on the 1-wire bus.
func (s *stage) addProbe() *fake.DS18B20 {
	addr, err := chip.ParseID("28-0123456789ab")
	require.NoError(s.t, err)
	p := &fake.DS18B20{Addr: addr, Celsius: 24.8125}
	s.one.Probes = append(s.one.Probes, p)
	return p
}

func probeScene(s *stage) (sensor.Source, map[string]deed) {
	p := s.addProbe()
	return chip.NewProbe(s.hub, "", "28-0123456789ab", "", 0, s.clock), map[string]deed{
		"does not answer":          flip(&p.Absent),
		"wrong checksum":           flip(&p.BadCRC),
		"all zeros":                flip(&p.AllZero),
		"85.000, never converts":   {func() { p.BrownOut(); p.NoConvert = true }, func() { p.NoConvert = false }},
		"127.94, too little power": flip(&p.LowPower),
		"bus shorted":              flip(&s.one.Short),
		"supply lost for a moment": {p.BrownOut, nil},
	}
}

func poweredProbeScene(s *stage) (sensor.Source, map[string]deed) {
	p := s.addProbe()
	s.pins["GPIO5"] = fake.NewPin(func(high bool) { p.Absent = p.Absent && high })
	return chip.NewProbe(s.hub, "", "28-0123456789ab", "GPIO5", 0, s.clock), map[string]deed{
		"hangs until its supply is cut": {func() { p.Absent = true }, nil},
	}
}

func vl53l1xScene(s *stage) (sensor.Source, map[string]deed) {
	c := fake.NewVL53L1X(182)
	s.bus.Add(c)
	code := func(v byte) deed { return deed{func() { c.Code = v }, func() { c.Code = 0 }} }
	return chip.NewVL53L1X(s.common(chip.Place{}), chip.ToFOptions{}), map[string]deed{
		"does not answer (NAK)":      flip(&c.Nak),
		"another chip at its place":  {func() { c.WrongID = true; c.BrownOut() }, func() { c.WrongID = false }},
		"finishes no ranging":        flip(&c.Hang),
		"repeats one result":         flip(&c.Stuck),
		"supply lost for a moment":   {c.BrownOut, nil},
		"does not start after that":  {func() { c.NoBoot = true; c.BrownOut() }, func() { c.NoBoot = false }},
		"status: sigma":              code(6),
		"status: no target":          code(4),
		"status: phase":              code(5),
		"status: wrapped target":     code(7),
		"status: hardware":           code(3),
		"garbage of 24 mm, status 0": {func() { c.DistanceMM = 24 }, func() { c.DistanceMM = 182 }},
	}
}

func shutScene(s *stage) (sensor.Source, map[string]deed) {
	c := fake.NewVL53L1X(182)
	s.bus.Add(c)
	s.pins["GPIO17"] = fake.NewPin(func(high bool) {
		c.Hang = c.Hang && high
		c.Shut(high)
	})
	return chip.NewVL53L1X(s.common(chip.Place{Address: 0x30, XShut: "GPIO17"}), chip.ToFOptions{}), map[string]deed{
		"hangs until it is reset":                {func() { c.Hang = true }, nil},
		"supply lost: back at its first address": {c.BrownOut, nil},
	}
}

func muxScene(s *stage) (sensor.Source, map[string]deed) {
	c, m := fake.NewVL53L1X(182), &fake.Mux{Addr: 0x70}
	m.Ports[3] = []fake.Device{c}
	s.bus.AddMux(m)
	return chip.NewVL53L1X(s.common(chip.Place{Mux: 0x70, Port: 3}), chip.ToFOptions{}), map[string]deed{
		"multiplexer forgets its port": {m.BrownOut, nil},
		"multiplexer does not answer":  {func() { m.Dead = true; m.BrownOut() }, func() { m.Dead = false }},
	}
}

func vl6180xScene(s *stage) (sensor.Source, map[string]deed) {
	c := fake.NewVL6180X(64)
	s.bus.Add(c)
	code := func(v byte) deed { return deed{func() { c.Code = v }, func() { c.Code = 0 }} }
	return chip.NewVL6180X(s.common(chip.Place{}), chip.ToFOptions{}), map[string]deed{
		"does not answer (NAK)":     flip(&c.Nak),
		"another chip at its place": flip(&c.WrongID),
		"finishes no ranging":       flip(&c.Hang),
		"code 7, no target":         code(7),
		"code 11, too bright":       code(11),
		"code 1, emitter":           code(1),
		"code 15, beyond its range": code(15),
		"slow: 2 s for one ranging": {func() { c.Takes = 2 * time.Second }, func() { c.Takes = 0 }},
		"supply lost for a moment":  {c.BrownOut, nil},
	}
}

func bme280Scene(s *stage) (sensor.Source, map[string]deed) {
	c := fake.NewBME280(0x76)
	s.bus.Add(c)
	return chip.NewBME280(s.common(chip.Place{}), sensor.Humidity), map[string]deed{
		"does not answer (NAK)":    flip(&c.Nak),
		"never ends a measurement": flip(&c.Busy),
		"supply lost for a moment": {c.BrownOut, nil},
	}
}

func hcsr04Scene(s *stage) (sensor.Source, map[string]deed) {
	h := &fake.HCSR04{DistanceMM: 150, SpeedMPS: 345}
	odd := 0
	return echo.NewHCSR04(func() (echo.Lines, error) { return h, nil }, echo.Options{AirC: 21.5, Clock: s.clock}), map[string]deed{
		"no answer to the trigger":   flip(&h.Dead),
		"no echo (pulse of 38 ms)":   flip(&h.NoEcho),
		"echo line stays high":       flip(&h.StuckHigh),
		"edges out of order":         flip(&h.Swapped),
		"lines taken away":           flip(&h.Broken),
		"half the pings see the rim": {func() { h.Noise = func() float64 { odd++; return -90 * float64(odd%2) } }, func() { h.Noise = nil }},
	}
}

func serialScene(s *stage) (sensor.Source, map[string]deed) {
	h := &fake.SerialHead{MM: 187}
	return echo.NewSerial(h.Open, "", echo.Options{Clock: s.clock}), map[string]deed{
		"silent":           flip(&h.Silent),
		"wrong sums":       flip(&h.BadSum),
		"unplugged":        flip(&h.Gone),
		"nothing in range": {func() { h.MM = 0 }, func() { h.MM = 187 }},
	}
}

// TestFaultTable plays every fault of every sensor: none may yield a wrong value,
// each must be reported with a reason, unless the sensor can put it right within
// the same reading, and after each the sensor must come back.
func TestFaultTable(t *testing.T) {
	var rows []outcome
	for _, sc := range scenes() {
		if sc.want == 0 { // what the emulated chip gives is not a round number
			sc.want = 0.4
		}
		for _, fault := range faultsOf(t, sc) {
			out := play(t, sc, fault)
			assert.True(t, out.ok, "%s does not come back after: %s", sc.sensor, fault)
			rows = append(rows, out)
		}
	}
	require.Greater(t, len(rows), 50)
	got := table(rows)
	t.Log("\n" + got)
	for _, r := range rows {
		t.Logf("%s, %s: seen after %s, good again after %s", r.sensor, r.fault, r.after, r.back)
	}
	const file = "testdata/faults.md"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// faultsOf lists the faults of a scene in order.
func faultsOf(t *testing.T, sc scene) []string {
	var names []string
	root := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, root)
		_, deeds := sc.set(s)
		for name := range deeds {
			names = append(names, name)
		}
		assert.NoError(t, s.hub.Close())
	})
	slices.Sort(names)
	return names
}

// table writes the outcomes as a Markdown table, with times as classes: chance
// spreads the moments at which a failing sensor is asked.
func table(rows []outcome) string {
	var b strings.Builder
	b.WriteString("| Sensor | Injected | What the user sees | Seen after | Good again after |\n|---|---|---|---|---|\n")
	for _, r := range rows {
		seen := r.seen
		if seen == "" {
			seen = "nothing: put right within the same reading"
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s%s |\n", r.sensor, r.fault, strings.ReplaceAll(strings.ReplaceAll(seen, r.root, "/sys"), "|", "/"), class(r.after, r.seen != ""), promise(r), brought(r.recovery))
	}
	return b.String()
}

// class rounds a time up to what can be promised.
func class(d time.Duration, there bool) string {
	if !there {
		return "-"
	}
	for _, limit := range []time.Duration{5 * time.Second, 15 * time.Second, 40 * time.Second, 90 * time.Second} {
		if d <= limit {
			return "at most " + limit.String()
		}
	}
	return "longer"
}

// promise is when the sensor is good again at the latest: a sensor that failed
// for long is asked only every 30 s, by a fifth more or less.
func promise(r outcome) string {
	if r.slowed {
		return "at most 40s"
	}
	return class(r.back, true)
}

// brought says what brought the sensor back.
func brought(r sensor.Recovery) string {
	switch {
	case r.Resets > 0:
		return ", by a reset"
	case r.Restarts > 0:
		return ", set up anew"
	default:
		return ""
	}
}
