package mqtt

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
)

func TestParsePayload(t *testing.T) {
	d, bad, odd := sensor.Distance, "bad_data: ", "out_of_range: "
	for _, c := range []struct {
		payload, field, unit string
		q                    sensor.Quantity
		want                 any // a value, or why there is none
	}{
		{"182.5", "", "", d, 182.5},
		{" 18.25\n", "", "cm", d, 182.5},
		{"0.1825", "", "m", d, 182.5},
		{"10", "", "in", d, 254.0},
		{"77", "", "F", sensor.Temperature, 25.0},
		{"-3.5", "", "C", sensor.Temperature, -3.5},
		{"55", "", "percent", sensor.Humidity, 0.55},
		{`{"tub":{"mm":182.5,"c":24}}`, "tub.mm", "", d, 182.5},
		{`{"mm":"182.5"}`, "mm", "", d, 182.5},
		{"", "", "", d, bad + `the message says "" where a number was expected`},
		{"warm", "", "", d, bad + `the message says "warm"`},
		{"NaN", "", "", d, bad + `the message says "NaN"`},
		{"0x10", "", "", d, bad + `the message says "0x10"`},
		{"1e999", "", "", d, bad + `the message says "1e999"`},
		{"-5", "", "", d, odd},
		{"20000", "", "", d, odd},
		{"182", "mm", "", d, bad + `the message has no field "mm"`},
		{"{", "mm", "", d, bad + "the message is not JSON"},
		{`{"cm":1}`, "mm", "", d, bad + `the message has no field "mm"`},
		{`{"mm":null}`, "mm", "", d, bad + `the field "mm" is not a number`},
		{`{"mm":[1]}`, "mm", "", d, bad + `the field "mm" is not a number`},
		{strings.Repeat("1", 20000), "", "", d, bad + "the message has 20000 bytes"},
	} {
		got, err := parsePayload([]byte(c.payload), c.field, c.unit, c.q)
		if want, ok := c.want.(float64); ok {
			require.NoError(t, err, c.payload)
			assert.InDelta(t, want, got, 1e-9, c.payload)
			continue
		}
		said := string(sensor.StatusOf(err)) + ": " + text.New(text.Locale{}).Error(err)
		assert.True(t, strings.HasPrefix(said, c.want.(string)), "%s: %s", c.payload, said)
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
