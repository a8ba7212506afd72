package mqtt

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/alert/text"
	"tidemark/sensor"
)

func TestParsePayload(t *testing.T) {
	for _, c := range []struct {
		payload, field, unit string
		q                    sensor.Quantity
		want                 float64
	}{
		{"182.5", "", "", sensor.Distance, 182.5},
		{" 18.25\n", "", "cm", sensor.Distance, 182.5},
		{"0.1825", "", "m", sensor.Distance, 182.5},
		{"10", "", "in", sensor.Distance, 254},
		{"77", "", "F", sensor.Temperature, 25},
		{"-3.5", "", "C", sensor.Temperature, -3.5},
		{"55", "", "percent", sensor.Humidity, 0.55},
		{`{"tub":{"mm":182.5,"c":24}}`, "tub.mm", "", sensor.Distance, 182.5},
		{`{"mm":"182.5"}`, "mm", "", sensor.Distance, 182.5},
	} {
		got, err := parsePayload([]byte(c.payload), c.field, c.unit, c.q)
		if assert.NoError(t, err, c.payload) {
			assert.InDelta(t, c.want, got, 1e-9, c.payload)
		}
	}
}

func TestBadPayloads(t *testing.T) {
	for _, c := range []struct {
		payload, field string
		status         sensor.Status
		reason         string
	}{
		{"", "", sensor.BadData, `the message says "" where a number was expected`},
		{"warm", "", sensor.BadData, `the message says "warm"`},
		{"NaN", "", sensor.BadData, "where a number was expected"},
		{"0x10", "", sensor.BadData, "where a number was expected"},
		{"1e999", "", sensor.BadData, "where a number was expected"},
		{"-5", "", sensor.OutOfRange, "is the unit right?"},
		{"20000", "", sensor.OutOfRange, "is the unit right?"},
		{"182", "mm", sensor.BadData, `the message has no field "mm"`},
		{"{", "mm", sensor.BadData, "the message is not JSON"},
		{`{"cm":1}`, "mm", sensor.BadData, `the message has no field "mm"`},
		{`{"mm":null}`, "mm", sensor.BadData, `the field "mm" is not a number`},
		{`{"mm":[1]}`, "mm", sensor.BadData, `the field "mm" is not a number`},
		{strings.Repeat("1", 20000), "", sensor.BadData, "the message has 20000 bytes"},
	} {
		_, err := parsePayload([]byte(c.payload), c.field, "", sensor.Distance)
		var f *sensor.FaultError
		if assert.ErrorAs(t, err, &f, c.payload) {
			assert.Equal(t, c.status, f.Status, c.payload)
			assert.Contains(t, text.New(text.Locale{}).Error(f), c.reason)
		}
	}
}

func FuzzParsePayload(f *testing.F) {
	f.Add([]byte("182.5"), "", "cm")
	f.Add([]byte(`{"a":{"b":"1e3"}}`), "a.b", "in")
	f.Fuzz(func(t *testing.T, payload []byte, field, unit string) {
		for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
			v, err := parsePayload(payload, field, unit, q)
			if err == nil && !(v >= -55 && v <= 10000) {
				t.Fatalf("accepted %v as %s", v, q)
			}
		}
	})
}
