package echo_test

import (
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/echo"
	"tidemark/sensor/fake"
	"tidemark/sensor/sound"
)

// read reads once with five seconds of patience.
func read(s sensor.Source) sensor.Reading {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return s.Read(ctx)
}

// at gives an Air function that knows temperature and humidity.
func at(celsius, humidity float64) func() (float64, float64, bool) {
	return func() (float64, float64, bool) { return celsius, humidity, true }
}

func TestHCSR04(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sound.Air{Celsius: 25, Humidity: 0.5}.SpeedMPS()
		dice := rand.New(rand.NewPCG(1, 1))
		dev := &fake.HCSR04{DistanceMM: 152, SpeedMPS: c, Noise: func() float64 { return 1.5 * dice.NormFloat64() }}
		s := echo.NewHCSR04(func() (echo.Lines, error) { return dev, nil },
			echo.Options{Air: at(25, 0.5), OffsetMM: -2, Clock: sensor.SystemClock()})
		r := read(s)
		require.Equal(t, sensor.OK, r.Status, r.Reason)
		assert.InDelta(t, 150, r.Value, 1.5)
		assert.InDelta(t, 0.57, r.SD, 0.4, "1.5 mm over 11 pings")
		assert.Equal(t, 11, dev.Pings)
		assert.Zero(t, dev.ShortPulses, "trigger of 10 us at least (user guide)")
		assert.Zero(t, dev.TooSoon, "60 ms between pings (user guide)")
		require.NoError(t, s.Close())
		assert.Equal(t, 1, dev.Closed)
	})
}

// The user guide's rule of width in us / 58 = cm stands for 344.8 m/s.
func TestRuleOfTheUserGuide(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dev := &fake.HCSR04{DistanceMM: 100, SpeedMPS: 344.83}
		s := echo.NewHCSR04(func() (echo.Lines, error) { return dev, nil }, echo.Options{AirC: 21.2, Clock: sensor.SystemClock()})
		assert.InEpsilon(t, 100, read(s).Value, 0.005)
	})
}

func TestCarbonDioxideIsCorrectedWhenTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gas := sound.Air{Celsius: 24, Humidity: 0.9, CO2: 0.1}
		dev := &fake.HCSR04{DistanceMM: 150, SpeedMPS: gas.SpeedMPS()}
		open := func() (echo.Lines, error) { return dev, nil }
		plain := read(echo.NewHCSR04(open, echo.Options{Air: at(24, 0.9), Clock: sensor.SystemClock()}))
		assert.InDelta(t, 150*1.031, plain.Value, 0.2, "reads 3.1 % long")
		told := read(echo.NewHCSR04(open, echo.Options{Air: at(24, 0.9), CO2: 0.1, Clock: sensor.SystemClock()}))
		assert.InDelta(t, 150, told.Value, 0.05)
	})
}

func TestHCSR04Faults(t *testing.T) {
	for name, c := range map[string]struct {
		set    func(*fake.HCSR04)
		status sensor.Status
		reason string
	}{
		"dead":       {func(h *fake.HCSR04) { h.Dead = true }, sensor.ReadFailed, "does not answer its trigger"},
		"no echo":    {func(h *fake.HCSR04) { h.NoEcho = true }, sensor.OutOfRange, "no echo came back (pulse of 38 ms)"},
		"stuck high": {func(h *fake.HCSR04) { h.StuckHigh = true }, sensor.ReadFailed, "stays high"},
		"swapped":    {func(h *fake.HCSR04) { h.Swapped = true }, sensor.BadData, "edges are out of order"},
		"lines fail": {func(h *fake.HCSR04) { h.Broken = true }, sensor.ReadFailed, "GPIO lines: no such device"},
		"too near":   {func(h *fake.HCSR04) { h.DistanceMM = 12 }, sensor.OutOfRange, "nearer"},
		"too far":    {func(h *fake.HCSR04) { h.DistanceMM = 4200 }, sensor.OutOfRange, "farther"},
		"wall and surface": {func(h *fake.HCSR04) {
			n := 0
			h.Noise = func() float64 { n++; return float64(n%2) * 80 }
		}, sensor.Unreliable, "contradict each other"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				dev := &fake.HCSR04{DistanceMM: 150, SpeedMPS: 345}
				c.set(dev)
				s := echo.NewHCSR04(func() (echo.Lines, error) { return dev, nil }, echo.Options{Clock: sensor.SystemClock()})
				r := read(s)
				assert.Equal(t, c.status, r.Status, r.Reason)
				assert.Contains(t, r.Reason, c.reason)
				*dev = fake.HCSR04{DistanceMM: 150, SpeedMPS: 345}
				assert.Equal(t, sensor.OK, read(s).Status, "heals by itself")
			})
		})
	}
}

func TestHCSR04ThatCannotBeOpened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := echo.NewHCSR04(func() (echo.Lines, error) { return echo.OpenLines("/dev/gpiochip99", 23, 24) }, echo.Options{Clock: sensor.SystemClock()})
		r := read(s)
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, r.Reason, "/dev/gpiochip99 is not there")
		require.NoError(t, s.Close())
	})
}

// TestEdgesOfTheKernel decodes line events as linux/gpio.h lays them out: 48
// bytes, timestamp in ns first, then 1 for rising and 2 for falling.
func TestEdgesOfTheKernel(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer r.Close()
	event := func(ns uint64, id uint32) {
		b := make([]byte, 48)
		binary.NativeEndian.PutUint64(b, ns)
		binary.NativeEndian.PutUint32(b[8:], id)
		_, err := w.Write(b)
		require.NoError(t, err)
	}
	event(5, 1)
	require.NoError(t, echo.Drain(r))
	event(1_000_000, 1)
	event(1_870_000, 2)
	rise, err := echo.ReadEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	fall, err := echo.ReadEdge(r, time.Now().Add(time.Minute))
	require.NoError(t, err)
	assert.True(t, rise.Rising)
	assert.False(t, fall.Rising)
	assert.Equal(t, 870*time.Microsecond, fall.At-rise.At)
	_, err = echo.ReadEdge(r, time.Now())
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	require.NoError(t, w.Close())
}

// fileOf is a source that gives one value.
type fileOf struct{ r sensor.Reading }

func (f fileOf) Read(context.Context) sensor.Reading { return f.r }
func (f fileOf) Close() error                        { return nil }

// The kernel reckons with 343.5 m/s: 870 us give 149 mm (srf04.c: ns x 106 /
// 617176). At 25 C and 50 % humidity the true factor is about 1.010.
func TestSRF04UndoesTheKernelsSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		assert.Equal(t, 149, 870_000*106/617_176)
		s := echo.NewSRF04(fileOf{sensor.Reading{Value: 149, Status: sensor.OK}}, echo.Options{Air: at(25, 0.5), Clock: sensor.SystemClock()})
		r := read(s)
		require.Equal(t, sensor.OK, r.Status, r.Reason)
		assert.InDelta(t, 149*1.010, r.Value, 0.1)
		gone := echo.NewSRF04(fileOf{sensor.Reading{Status: sensor.Missing, Reason: "no IIO device"}}, echo.Options{Clock: sensor.SystemClock()})
		assert.Equal(t, sensor.Missing, read(gone).Status)
		require.NoError(t, s.Close())
	})
}

func TestSerialHead(t *testing.T) {
	for name, c := range map[string]struct {
		set    func(*fake.SerialHead)
		format string
		status sensor.Status
		reason string
	}{
		"frames":          {func(*fake.SerialHead) {}, "frame", sensor.OK, ""},
		"frames by habit": {func(*fake.SerialHead) {}, "", sensor.OK, ""},
		"text":            {func(s *fake.SerialHead) { s.Text = true }, "text", sensor.OK, ""},
		"noise between":   {func(s *fake.SerialHead) { s.Noise = []byte{0xff, 0x00, 0x17} }, "frame", sensor.OK, ""},
		"old bytes":       {func(s *fake.SerialHead) { s.Old = []byte{0xff, 0x00, 0x50, 0x4f} }, "frame", sensor.OK, ""},
		"silent":          {func(s *fake.SerialHead) { s.Silent = true }, "frame", sensor.ReadFailed, "sends nothing"},
		"wrong sum":       {func(s *fake.SerialHead) { s.BadSum = true }, "frame", sensor.BadData, "no frame of the format frame"},
		"wrong format":    {func(s *fake.SerialHead) { s.Text = true }, "frame", sensor.BadData, "check format and baud"},
		"sees nothing":    {func(s *fake.SerialHead) { s.MM = 0 }, "frame", sensor.OutOfRange, "nothing in range"},
		"end of range":    {func(s *fake.SerialHead) { s.Text, s.MM = true, 9999 }, "text", sensor.OutOfRange, "nothing in range"},
		"unplugged":       {func(s *fake.SerialHead) { s.Gone = true }, "frame", sensor.ReadFailed, "no such device"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				head := &fake.SerialHead{MM: 187}
				c.set(head)
				s := echo.NewSerial(head.Open, c.format, echo.Options{Clock: sensor.SystemClock()})
				r := read(s)
				assert.Equal(t, c.status, r.Status, r.Reason)
				assert.Contains(t, r.Reason, c.reason)
				if c.status == sensor.OK {
					assert.Equal(t, 187.0, r.Value)
				}
				time.Sleep(time.Second) // lets a read that was given up end
				require.NoError(t, s.Close())
			})
		})
	}
}

func TestSerialHeadPulledOutAndPluggedIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		head := &fake.SerialHead{MM: 187}
		s := echo.NewSerial(head.Open, "frame", echo.Options{Clock: sensor.SystemClock()})
		assert.Equal(t, sensor.OK, read(s).Status)
		head.Gone = true
		r := read(s)
		assert.Equal(t, sensor.Missing, r.Status)
		assert.Contains(t, r.Reason, "the serial line is gone")
		head.Gone = false
		assert.Equal(t, sensor.OK, read(s).Status)
		assert.Equal(t, 2, head.Opened)
		_, err := echo.OpenPort("/dev/ttyNone", 9600)
		assert.ErrorContains(t, err, "/dev/ttyNone is not there")
	})
}

// The frame and text forms are from memory of common heads.
func TestParseFrames(t *testing.T) {
	for name, c := range map[string]struct {
		format, in string
		want       []float64
		rest       string
		bad        int
	}{
		"one":             {"frame", "\xff\x07\xa1\xa7", []float64{1953}, "", 0},
		"FF as data":      {"frame", "\xff\x00\xff\xfe\xff\x00\xff\xfe", []float64{255, 255}, "", 0},
		"begins midway":   {"frame", "\xa1\xa7\xff\x07\xa1\xa7\xff\x07", []float64{1953}, "\xff\x07", 2},
		"wrong sum":       {"frame", "\xff\x07\xa1\xa8\xff\x00\x64\x63", []float64{100}, "", 4},
		"text":            {"text", "R0187\rR1200\rR01", []float64{187, 1200}, "R01", 0},
		"text, line ends": {"text", "R0187\r\nR0188\r\n", []float64{187, 188}, "\n", 0},
		"text, garbage":   {"text", "xx\rR01x7\rR0189\r", []float64{189}, "", 2},
		"text, endless":   {"text", "RRRRRRRRRRRRRRRRRRRRRRRR", nil, "", 1},
	} {
		t.Run(name, func(t *testing.T) {
			mm, rest, bad := echo.ParseFrames(c.format, []byte(c.in))
			assert.Equal(t, c.want, mm)
			assert.Equal(t, c.rest, string(rest))
			assert.Equal(t, c.bad, bad)
		})
	}
}

func TestAssumedDoubt(t *testing.T) {
	assert.InDelta(t, 0.0018*4, echo.AssumedDoubt(4), 0.001, "0.18 % for each kelvin")
}

func FuzzParseFrames(f *testing.F) {
	f.Add([]byte("\xff\x07\xa1\xa7"), 2, false)
	f.Add([]byte("R0187\rR12"), 3, true)
	f.Fuzz(func(t *testing.T, in []byte, cut int, text bool) {
		format := echo.FormatFrame
		if text {
			format = echo.FormatText
		}
		whole, rest, _ := echo.ParseFrames(format, append([]byte(nil), in...))
		if len(rest) > 16 {
			t.Fatalf("keeps %d bytes", len(rest))
		}
		for _, mm := range whole {
			if !(mm >= 0 && mm <= 65535) || mm != math.Trunc(mm) {
				t.Fatalf("distance %v", mm)
			}
		}
		cut = min(max(cut, 0), len(in))
		first, held, _ := echo.ParseFrames(format, append([]byte(nil), in[:cut]...))
		second, _, _ := echo.ParseFrames(format, append(append([]byte(nil), held...), in[cut:]...))
		if !text && len(first)+len(second) != len(whole) {
			t.Fatalf("%d frames at once, %d + %d in two parts", len(whole), len(first), len(second))
		}
	})
}
