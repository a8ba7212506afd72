package sensor_test

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/onewire"

	"tidemark/sensor"
)

// bytesOf reads bytes written in hex with blanks.
func bytesOf(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// The first vector is example 2 of Maxim Application Note 27; the others were
// worked out with two independent implementations of its polynomial.
func TestCRC8(t *testing.T) {
	for in, want := range map[string]byte{
		"02 1C B8 01 00 00 00":       0xa2,
		"31 32 33 34 35 36 37 38 39": 0xa1,
		"28 A1 B2 C3 D4 E5 00":       0x05,
		"50 05 4B 46 7F FF 0C 10":    0x1c,
		"91 01 4B 46 7F FF 0F 10":    0x25,
		"5E FF 4B 46 7F FF 02 10":    0xb6,
		"90 FC 4B 46 7F FF 0C 10":    0x4f,
		"00 00 00 00 00 00 00 00":    0x00,
		"FF FF FF FF FF FF FF FF":    0xc9,
	} {
		b := bytesOf(t, in)
		assert.Equal(t, want, onewire.CalcCRC(b), in)
		assert.Zero(t, onewire.CalcCRC(append(b, want)), "data with its own CRC gives 0 (Application Note 27)")
	}
}

// pad makes a valid scratchpad with a register and a configuration byte.
func pad(register uint16, config byte) (p [9]byte) {
	copy(p[:], []byte{byte(register), byte(register >> 8), 0x4b, 0x46, config, 0xff, 0x0c, 0x10})
	p[8] = onewire.CalcCRC(p[:8])
	return p
}

// Register and temperature pairs: DS18B20 datasheet, Table 1.
func TestDS18B20Table(t *testing.T) {
	for register, want := range map[uint16]float64{
		0x07d0: 125, 0x0550: 85, 0x0191: 25.0625, 0x00a2: 10.125, 0x0008: 0.5,
		0x0000: 0, 0xfff8: -0.5, 0xff5e: -10.125, 0xfe6f: -25.0625, 0xfc90: -55,
	} {
		got, err := sensor.ScratchpadC(pad(register, 0x7f))
		require.NoError(t, err)
		assert.Equal(t, want, got, "%04x", register)
	}
}

// At 9, 10 and 11 bits the lowest 3, 2 and 1 bits mean nothing (MAX31820PAR
// datasheet, a sibling with the same registers).
func TestUndefinedBitsAreMasked(t *testing.T) {
	for config, want := range map[byte]float64{0x1f: 25.0, 0x3f: 25.25, 0x5f: 25.375, 0x7f: 25.4375} {
		got, err := sensor.ScratchpadC(pad(0x0197, config))
		require.NoError(t, err)
		assert.Equal(t, want, got, "%02x", config)
	}
}

func TestBadScratchpads(t *testing.T) {
	wrong := pad(0x0191, 0x7f)
	wrong[0]++
	ones := [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	for name, c := range map[string]struct {
		pad  [9]byte
		want sensor.Status
	}{
		"all ones":      {ones, sensor.Missing},
		"all zeros":     {[9]byte{}, sensor.BadData},
		"checksum":      {wrong, sensor.BadData},
		"configuration": {pad(0x0191, 0x00), sensor.BadData},
		"low power":     {pad(0x07ff, 0x7f), sensor.PowerOn},
		"too hot":       {pad(0x07e0, 0x7f), sensor.OutOfRange},
		"too cold":      {pad(0xfc00, 0x7f), sensor.OutOfRange},
	} {
		_, err := sensor.ScratchpadC(c.pad)
		var f *sensor.FaultError
		if assert.ErrorAs(t, err, &f, name) {
			assert.Equal(t, c.want, f.Status, name)
		}
	}
}

func TestPowerOnGuard(t *testing.T) {
	var g sensor.PowerOnGuard
	began := time.Now()
	believes := func(celsius float64, after time.Duration) bool {
		got, err := g.Check(began.Add(after), celsius, -0.5, nil)
		if err == nil {
			assert.Equal(t, celsius-0.5, got)
		} else {
			assert.Equal(t, sensor.PowerOn, sensor.StatusOf(err))
		}
		return err == nil
	}
	assert.False(t, believes(85, 0), "85 as the first reading")
	assert.True(t, believes(24, time.Second))
	assert.False(t, believes(85, 2*time.Second), "85 after 24")
	assert.True(t, believes(84.9375, 3*time.Second), "only exactly 85 is doubtful")
	assert.True(t, believes(85, 4*time.Second), "85 after 84.9")
	assert.True(t, believes(85, 5*time.Second))
	assert.False(t, believes(85, 2*time.Minute), "the neighbour is too old")
	_, err := g.Check(began, 24, 0, sensor.Fault(sensor.Missing, "range.empty"))
	assert.Equal(t, sensor.Missing, sensor.StatusOf(err))
}

func TestReadingKeepsItsPromise(t *testing.T) {
	r := sensor.Reading{Quantity: sensor.Distance}
	assert.Equal(t, sensor.OK, r.Good(5, 1).Status)
	bad := r.Good(inf(), 1)
	assert.Equal(t, sensor.BadData, bad.Status)
	assert.Error(t, bad.Err)
	assert.True(t, bad.Value != bad.Value, "NaN")
	assert.Equal(t, sensor.ReadFailed, r.Fault(sensor.OK, "range.empty").Status)
	assert.Equal(t, sensor.Stale, r.Failed(sensor.Fault(sensor.Stale, "range.empty")).Status)
	assert.Equal(t, sensor.ReadFailed, r.Failed(assert.AnError).Status)
	assert.Equal(t, sensor.BadData, sensor.Taken(sensor.Humidity, inf(), 0, nil).Status)
}

// inf is positive infinity.
func inf() float64 { var zero float64; return 1 / zero }
