package serial_test

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/serial"
)

// read reads once within five seconds.
func read(s sensor.Source) sensor.Reading {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return s.Read(ctx)
}

// headOf reads a head of the test.
func headOf(head *sensortest.SerialHead, format string) *sensor.Driver {
	return serial.NewHead(head.Open, sensor.Serial{Format: format}, nil)
}

func TestSerialHead(t *testing.T) {
	for name, c := range map[string]struct {
		set    func(*sensortest.SerialHead)
		format string
		status sensor.Status
		reason string
	}{
		"frames":          {func(*sensortest.SerialHead) {}, "frame", sensor.OK, ""},
		"frames by habit": {func(*sensortest.SerialHead) {}, "", sensor.OK, ""},
		"text":            {func(s *sensortest.SerialHead) { s.Text = true }, "text", sensor.OK, ""},
		"noise between":   {func(s *sensortest.SerialHead) { s.Noise = []byte{0xff, 0x00, 0x17} }, "frame", sensor.OK, ""},
		"old bytes":       {func(s *sensortest.SerialHead) { s.Old = []byte{0xff, 0x00, 0x50, 0x4f} }, "frame", sensor.OK, ""},
		"wrong format":    {func(s *sensortest.SerialHead) { s.Text = true }, "frame", sensor.BadData, "check format and baud"},
		"end of range":    {func(s *sensortest.SerialHead) { s.Text, s.MM = true, 9999 }, "text", sensor.OutOfRange, "nothing in range"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				head := &sensortest.SerialHead{MM: 187}
				c.set(head)
				s := headOf(head, c.format)
				r := read(s)
				assert.Equal(t, c.status, r.Status, r.Err)
				assert.Contains(t, said(r), c.reason)
				if c.status == sensor.OK {
					assert.Equal(t, 187.0, r.Value)
				}
				time.Sleep(time.Second) // lets a read that was given up end
				require.NoError(t, s.Close())
			})
		})
	}
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
		"text, line ends": {"text", "R0187\r\nR0188\r\n", []float64{187, 188}, "", 0},
		"text, garbage":   {"text", "xx\rR01x7\rR0189\r", []float64{189}, "", 2},
		"text, endless":   {"text", "RRRRRRRRRRRRRRRRRRRRRRRR", nil, "", 1},
	} {
		t.Run(name, func(t *testing.T) {
			mm, rest, bad := serial.ParseFrames(c.format, []byte(c.in))
			assert.Equal(t, c.want, mm)
			assert.Equal(t, c.rest, string(rest))
			assert.Equal(t, c.bad, bad)
		})
	}
}

func FuzzParseFrames(f *testing.F) {
	f.Add([]byte("\xff\x07\xa1\xa7"), 2, false)
	f.Add([]byte("R0187\rR12"), 3, true)
	f.Fuzz(func(t *testing.T, in []byte, cut int, text bool) {
		format := serial.FormatFrame
		if text {
			format = serial.FormatText
		}
		whole, rest, _ := serial.ParseFrames(format, append([]byte(nil), in...))
		if len(rest) > 16 {
			t.Fatalf("keeps %d bytes", len(rest))
		}
		for _, mm := range whole {
			if !(mm >= 0 && mm <= 65535) || mm != math.Trunc(mm) {
				t.Fatalf("distance %v", mm)
			}
		}
		cut = min(max(cut, 0), len(in))
		first, held, _ := serial.ParseFrames(format, append([]byte(nil), in[:cut]...))
		second, _, _ := serial.ParseFrames(format, append(append([]byte(nil), held...), in[cut:]...))
		if !text && len(first)+len(second) != len(whole) {
			t.Fatalf("%d frames at once, %d + %d in two parts", len(whole), len(first), len(second))
		}
	})
}

// said is why a reading has no value, in English.
func said(r sensor.Reading) string { return text.New(text.Locale{}).Error(r.Err) }
