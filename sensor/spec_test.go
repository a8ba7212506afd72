package sensor_test

import (
	"math"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

func TestSpecReadsFromYAML(t *testing.T) {
	var s sensor.Spec
	src := "{kind: vl53l1x, bus: 1, address: 0x30, xshut: GPIO17, budget: 50ms, roi: 4, offset_mm: -3.5}"
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(src), &s, yaml.DisallowUnknownField()))
	assert.Equal(t, sensor.Spec{Kind: sensor.KindVL53L1X, Bus: "1", Address: 0x30, XShut: "GPIO17",
		Budget: sensor.Span(50 * time.Millisecond), ROI: 4, OffsetMM: -3.5}, s)
	assert.NoError(t, s.Validate(sensor.Distance))
	assert.Error(t, yaml.Unmarshal([]byte("{kind: mqtt, stale_after: 90}"), &s), "a bare number has no unit")
}

func TestGoodSpecs(t *testing.T) {
	for _, c := range []struct {
		q sensor.Quantity
		s sensor.Spec
	}{
		{sensor.Temperature, sensor.Spec{Kind: "w1"}},
		{sensor.Temperature, sensor.Spec{Kind: "w1", ID: "28-0123456789ab", OffsetC: -0.3}},
		{sensor.Temperature, sensor.Spec{Kind: "iio", Name: "bme280", Channel: "temp"}},
		{sensor.Humidity, sensor.Spec{Kind: "hwmon", Name: "sht3x"}},
		{sensor.Distance, sensor.Spec{Kind: "iio", Device: "iio:device0", MinMM: 30, MaxMM: 400}},
		{sensor.Distance, sensor.Spec{Kind: "vl53l1x", Mux: 0x70, Port: 7}},
		{sensor.Distance, sensor.Spec{Kind: "hcsr04", Trigger: new(23), Echo: new(24), Pings: 11, CO2Ratio: 0.1}},
		{sensor.Distance, sensor.Spec{Kind: "hcsr04", Trigger: new(0), Echo: new(1)}},
		{sensor.Distance, sensor.Spec{Kind: "hcsr04", Trigger: new(1), Echo: new(0)}},
		{sensor.Distance, sensor.Spec{Kind: "serial", Device: "/dev/serial0", Format: "text"}},
		{sensor.Distance, sensor.Spec{Kind: "mqtt", Broker: "mqtts://broker.lan:8883", Topic: "fridge/tub/mm", User: "u", PasswordFile: "/etc/p", CAFile: "/etc/ca.pem"}},
	} {
		assert.NoError(t, c.s.Validate(c.q), "%+v", c.s)
	}
}

func TestBadSpecs(t *testing.T) {
	mqtt := func(change func(*sensor.Spec)) sensor.Spec {
		s := sensor.Spec{Kind: "mqtt", Broker: "mqtt://localhost:1883", Topic: "tub"}
		change(&s)
		return s
	}
	d, c := sensor.Distance, sensor.Temperature
	for _, tc := range []struct {
		q     sensor.Quantity
		s     sensor.Spec
		field string
		msg   string
	}{
		{d, sensor.Spec{}, "kind", "missing; expected one of hcsr04, iio, mqtt, serial, srf04, vl53l1x, vl6180x"},
		{c, sensor.Spec{Kind: "dht"}, "kind", `"dht" is not known; expected one of bme280, ds18b20, hwmon, iio, mqtt, w1`},
		{d, sensor.Spec{Kind: "w1"}, "kind", `"w1" does not measure distance; expected one of hcsr04, iio, mqtt, serial, srf04, vl53l1x, vl6180x`},
		{c, sensor.Spec{Kind: "w1", Device: "x"}, "device", "kind w1 does not take it; it takes id, power, offset_c"},
		{c, sensor.Spec{Kind: "w1", ID: "28-00AB"}, "id", `"28-00AB" is not a probe id; expected a form like 28-0123456789ab (family 28 and twelve lower-case hex digits, as tidemark check --scan lists them)`},
		{c, sensor.Spec{Kind: "iio", OffsetMM: 1}, "offset_mm", "does not fit a source of temperature; take it out"},
		{d, sensor.Spec{Kind: "iio", OffsetC: 1}, "offset_c", "does not fit a source of distance; take it out"},
		{d, sensor.Spec{Kind: "iio", Channel: "../x"}, "channel", `"../x" leads out of the device folder; give the plain name`},
		{c, sensor.Spec{Kind: "w1", Power: "GPIO 4"}, "power", `"GPIO 4" is not the name of a GPIO line; expected a form like GPIO17`},
		{d, sensor.Spec{Kind: "vl53l1x", Bus: "one"}, "bus", `"one" is not an I2C bus; expected its number, like 1`},
		{d, sensor.Spec{Kind: "vl53l1x", Address: 0x99}, "address", "expected 0x08 to 0x77, found 0x99"},
		{d, sensor.Spec{Kind: "vl53l1x", Address: 0x30}, "xshut", "missing; the chip wakes at 0x29 and only its shutdown line lets it be moved to 0x30"},
		{d, sensor.Spec{Kind: "vl53l1x", Mux: 0x29}, "mux", "expected 0x70 to 0x77, found 0x29"},
		{c, sensor.Spec{Kind: "bme280", Mux: 0x76, Address: 0x76}, "mux", "0x76 is also the chip's address; set the multiplexer's address pins to another one"},
		{c, sensor.Spec{Kind: "bme280", Address: 0x70}, "address", "kind bme280 answers at 0x76 or 0x77, found 0x70"},
		{d, sensor.Spec{Kind: "vl53l1x", Port: 3}, "port", "a port needs a multiplexer; add mux: 0x70 (or its address) or take port out"},
		{d, sensor.Spec{Kind: "vl53l1x", Mux: 0x70, Port: 8}, "port", "expected 0 to 7, found 8"},
		{d, sensor.Spec{Kind: "vl53l1x", ROI: 3}, "roi", "expected 4 to 16 receivers a side, found 3"},
		{d, sensor.Spec{Kind: "vl53l1x", Budget: sensor.Span(time.Minute)}, "budget", "expected 20ms to 1s, found 1m0s"},
		{d, sensor.Spec{Kind: "hcsr04", Trigger: new(23)}, "echo", "missing; kind hcsr04 cannot do without it"},
		{d, sensor.Spec{Kind: "hcsr04", Trigger: new(23), Echo: new(23)}, "echo", "trigger and echo are both line 23; they are two different pins"},
		{d, sensor.Spec{Kind: "hcsr04", Trigger: new(23), Echo: new(600)}, "echo", "expected a line number of the GPIO chip, 0 to 511, found 600"},
		{d, sensor.Spec{Kind: "hcsr04", Trigger: new(-1), Echo: new(0)}, "trigger", "expected a line number of the GPIO chip, 0 to 511, found -1"},
		{d, sensor.Spec{Kind: "hcsr04", Trigger: new(0), Echo: new(0)}, "echo", "trigger and echo are both line 0; they are two different pins"},
		{d, sensor.Spec{Kind: "hcsr04", Echo: new(0)}, "trigger", "missing; kind hcsr04 cannot do without it"},
		{d, sensor.Spec{Kind: "vl53l1x", Trigger: new(0)}, "trigger", "kind vl53l1x does not take it; it takes bus, address, mux, port, power, min_mm, max_mm, offset_mm, xshut, roi, budget"},
		{d, sensor.Spec{Kind: "srf04", Pings: 2}, "pings", "expected 3 to 25, found 2"},
		{d, sensor.Spec{Kind: "srf04", CO2Ratio: 0.7}, "co2_ratio", "expected a share of 0 to 0.5, found 0.7"},
		{d, sensor.Spec{Kind: "srf04", AirC: 70}, "air_c", "expected -10 to 50 Celsius, found 70"},
		{d, sensor.Spec{Kind: "serial"}, "device", "missing; kind serial cannot do without it"},
		{d, sensor.Spec{Kind: "serial", Device: "/dev/serial0", Format: "hex"}, "format", `"hex" is not known; expected frame (FF, high byte, low byte, sum) or text (R0123)`},
		{d, sensor.Spec{Kind: "serial", Device: "/dev/serial0", Baud: 50}, "baud", "expected 1200 to 921600, found 50"},
		{d, mqtt(func(s *sensor.Spec) { s.Broker = "localhost" }), "broker", `"localhost" is not a broker address; expected mqtt://host:1883, or mqtts://host:8883 with TLS`},
		{d, mqtt(func(s *sensor.Spec) { s.Broker = "mqtt://a:b@localhost" }), "broker", "carries a name or password; use user and password_file instead"},
		{d, mqtt(func(s *sensor.Spec) { s.Topic = "tub/#" }), "topic", `"tub/#" has a wildcard; one source reads one topic`},
		{d, mqtt(func(s *sensor.Spec) { s.Topic = "$share/bakery/tub" }), "topic", `"$share/bakery/tub" shares its messages out among several readers, so that some would be missed; take out $share/ and the name after it`},
		{d, mqtt(func(s *sensor.Spec) { s.Unit = "F" }), "unit", `"F" is no unit of distance; expected one of mm, cm, m, in`},
		{d, mqtt(func(s *sensor.Spec) { s.StaleAfter = 1 }), "stale_after", "expected 1s to 24h, found 1ns"},
		{d, mqtt(func(s *sensor.Spec) { s.CAFile = "ca.pem" }), "broker", "certificates are given but mqtt://localhost:1883 is without TLS; write mqtts://"},
		{d, mqtt(func(s *sensor.Spec) { s.Broker, s.CertFile = "mqtts://h:8883", "c.pem" }), "cert_file", "cert_file and key_file go together; one of them is missing"},
		{d, mqtt(func(s *sensor.Spec) { s.PasswordFile = "p" }), "user", "missing; password_file needs the name it belongs to"},
		{d, sensor.Spec{Kind: "iio", MinMM: -1}, "min_mm", "expected 0 to 10000, found -1"},
		{d, sensor.Spec{Kind: "iio", MinMM: 300, MaxMM: 200}, "max_mm", "expected more than min_mm (300), found 200"},
		{d, sensor.Spec{Kind: "iio", MaxMM: 1e5}, "max_mm", "expected 0 to 10000, found 100000"},
		{d, sensor.Spec{Kind: "iio", OffsetMM: math.NaN()}, "offset_mm", "expected -500 to 500, found NaN"},
		{c, sensor.Spec{Kind: "w1", OffsetC: 11}, "offset_c", "expected -10 to 10 Celsius, found 11"},
	} {
		err := tc.s.Validate(tc.q)
		var fe *sensor.FieldError
		if assert.ErrorAs(t, err, &fe, "%+v", tc.s) {
			assert.Equal(t, tc.field, fe.Field)
			assert.Equal(t, tc.msg, fe.Msg)
		}
	}
}

// TestEveryFieldBelongsToAKind finds keys of the Spec that no kind takes, and
// keys of a kind that the Spec does not have.
func TestEveryFieldBelongsToAKind(t *testing.T) {
	taken := map[string]bool{"kind": true}
	for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
		require.NotEmpty(t, sensor.Kinds(q))
		for _, k := range sensor.Kinds(q) {
			for _, f := range sensor.Fields(k) {
				taken[f] = true
			}
		}
	}
	keys := sensor.Keys()
	require.NotEmpty(t, keys)
	for _, k := range keys {
		assert.True(t, taken[k], "no kind takes %s", k)
		delete(taken, k)
	}
	assert.Empty(t, taken, "keys that the Spec does not have")
}
