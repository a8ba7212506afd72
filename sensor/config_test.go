package sensor_test

import (
	"math"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
)

// decode reads one configuration.
func decode(t testing.TB, text string, q sensor.Quantity) (sensor.Config, error) {
	t.Helper()
	file, err := parser.ParseBytes([]byte(text), 0)
	require.NoError(t, err, text)
	require.NotEmpty(t, file.Docs)
	return sensor.Decode(file.Docs[0].Body, q)
}

func TestConfigReadsFromYAML(t *testing.T) {
	text := "{kind: vl53l1x, bus: 1, address: 0x30, xshut: GPIO17, budget: 50ms, roi: 4, offset_mm: -3.5}"
	c, err := decode(t, text, sensor.Distance)
	require.NoError(t, err)
	assert.Equal(t, &sensor.VL53L1X{I2C: sensor.I2C{Bus: "1", Address: 0x30}, XShut: "GPIO17",
		Budget: "50ms", ROI: 4, Limits: sensor.Limits{OffsetMM: -3.5}}, c)
	assert.Equal(t, "vl53l1x 0x30", sensor.Describe(c))
	back, err := decode(t, sensor.Flow(c), sensor.Distance)
	require.NoError(t, err, sensor.Flow(c))
	assert.Equal(t, c, back, sensor.Flow(c))
	mux := &sensor.VL6180X{I2C: sensor.I2C{Bus: "3", Mux: 0x70, Port: 7}}
	assert.Equal(t, `{kind: vl6180x, bus: "3", mux: 0x70, port: 7}`, sensor.Flow(mux))
	assert.Equal(t, "vl6180x mux 0x70 port 7", sensor.Describe(mux))
	for _, wrong := range []string{"{kind: vl53l1x, roi: wide}", "[1]", "warm"} {
		_, err := decode(t, wrong, sensor.Distance)
		var place yaml.Error
		assert.ErrorAs(t, err, &place, "%s: the error tells its place", wrong)
	}
}

func TestGoodConfigs(t *testing.T) {
	for text, q := range map[string]sensor.Quantity{
		"{kind: w1}": sensor.Temperature,
		"{kind: w1, id: 28-0123456789ab, offset_c: -0.3}":                  sensor.Temperature,
		"{kind: ds18b20, bus: one, power: GPIO4}":                          sensor.Temperature,
		"{kind: iio, name: bme280, channel: temp}":                         sensor.Temperature,
		"{kind: hwmon, name: sht3x}":                                       sensor.Humidity,
		"{kind: iio, device: \"iio:device0\", min_mm: 30, max_mm: 400}":    sensor.Distance,
		"{kind: vl53l1x, mux: 0x70, port: 7}":                              sensor.Distance,
		"{kind: hcsr04, trigger: 23, echo: 24, pings: 11, co2_ratio: 0.1}": sensor.Distance,
		"{kind: hcsr04, trigger: 0, echo: 1}":                              sensor.Distance,
		"{kind: hcsr04, trigger: 1, echo: 0}":                              sensor.Distance,
		"{kind: serial, device: /dev/serial0, format: text}":               sensor.Distance,
		"{kind: mqtt, broker: \"mqtts://broker.lan:8883\", topic: fridge/tub/mm, user: u, password_file: /etc/p, ca_file: /etc/ca.pem}": sensor.Distance,
	} {
		c, err := decode(t, text, q)
		if assert.NoError(t, err, text) {
			assert.NoError(t, sensor.Check(c, q), text)
		}
	}
}

func TestBadConfigs(t *testing.T) {
	d, c := sensor.Distance, sensor.Temperature
	for _, tc := range []struct {
		q                sensor.Quantity
		text, field, msg string
	}{
		{d, "{}", "kind", "missing; expected one of hcsr04, iio, mqtt, serial, srf04, vl53l1x, vl6180x"},
		{c, "{kind: dht}", "kind", `"dht" is not known; expected one of bme280, ds18b20, hwmon, iio, mqtt, w1`},
		{d, "{kind: w1}", "kind", `"w1" does not measure distance; expected one of hcsr04, iio, mqtt, serial, srf04, vl53l1x, vl6180x`},
		{c, "{kind: w1, device: x}", "device", "kind w1 does not take it; it takes id, power, offset_c"},
		{c, "{kind: w1, id: 28-00AB}", "id", `"28-00AB" is not a probe id; expected a form like 28-0123456789ab (family 28 and twelve lower-case hex digits, as tidemark check --scan lists them)`},
		{c, "{kind: iio, offset_mm: 1}", "offset_mm", "does not fit a source of temperature; take it out"},
		{d, "{kind: iio, offset_c: 1}", "offset_c", "does not fit a source of distance; take it out"},
		{d, "{kind: iio, channel: ../x}", "channel", `"../x" leads out of the device folder; give the plain name`},
		{c, "{kind: w1, power: 'GPIO 4'}", "power", `"GPIO 4" is not the name of a GPIO line; expected a form like GPIO17`},
		{d, "{kind: vl53l1x, bus: one}", "bus", `"one" is not an I2C bus; expected its number, like 1`},
		{d, "{kind: vl53l1x, address: 0x99}", "address", "expected 0x08 to 0x77, found 0x99"},
		{d, "{kind: vl53l1x, address: 0x30}", "xshut", "missing; the chip wakes at 0x29 and only its shutdown line lets it be moved to 0x30"},
		{d, "{kind: vl53l1x, mux: 0x29}", "mux", "expected 0x70 to 0x77, found 0x29"},
		{c, "{kind: bme280, mux: 0x76, address: 0x76}", "mux", "0x76 is also the chip's address; set the multiplexer's address pins to another one"},
		{c, "{kind: bme280, address: 0x70}", "address", "kind bme280 answers at 0x76 or 0x77, found 0x70"},
		{d, "{kind: vl53l1x, port: 3}", "port", "a port needs a multiplexer; add mux: 0x70 (or its address) or take port out"},
		{d, "{kind: vl53l1x, mux: 0x70, port: 8}", "port", "expected 0 to 7, found 8"},
		{d, "{kind: vl53l1x, roi: 3}", "roi", "expected 4 to 16 receivers a side, found 3"},
		{d, "{kind: vl53l1x, budget: 1m}", "budget", "expected 20ms to 1s, found 1m"},
		{d, "{kind: hcsr04, trigger: 23}", "echo", "missing; kind hcsr04 cannot do without it"},
		{d, "{kind: hcsr04, trigger: 23, echo: 23}", "echo", "trigger and echo are both line 23; they are two different pins"},
		{d, "{kind: hcsr04, trigger: 23, echo: 600}", "echo", "expected 0 to 511, the line's number on the GPIO chip, found 600"},
		{d, "{kind: hcsr04, trigger: -1, echo: 0}", "trigger", "expected 0 to 511, the line's number on the GPIO chip, found -1"},
		{d, "{kind: hcsr04, trigger: 0, echo: 0}", "echo", "trigger and echo are both line 0; they are two different pins"},
		{d, "{kind: hcsr04, echo: 0}", "trigger", "missing; kind hcsr04 cannot do without it"},
		{d, "{kind: vl53l1x, trigger: 0}", "trigger", "kind vl53l1x does not take it; it takes bus, address, mux, port, power, xshut, roi, budget, min_mm, max_mm, offset_mm"},
		{d, "{kind: srf04, pings: 2}", "pings", "expected 3 to 25, found 2"},
		{d, "{kind: srf04, co2_ratio: 0.7}", "co2_ratio", "expected 0 to 0.5, a share, found 0.7"},
		{d, "{kind: srf04, air_c: 70}", "air_c", "expected -10 to 50 Celsius, found 70"},
		{d, "{kind: serial}", "device", "missing; kind serial cannot do without it"},
		{d, "{kind: serial, device: /dev/serial0, format: hex}", "format", `"hex" is not known; expected frame (FF, high byte, low byte, sum) or text (R0123)`},
		{d, "{kind: serial, device: /dev/serial0, baud: 50}", "baud", "expected 1200 to 921600, found 50"},
		{d, "{kind: mqtt, topic: 'tub', broker: 'localhost'}", "broker", `"localhost" is not a broker address; expected mqtt://host:1883, or mqtts://host:8883 with TLS`},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://a:b@localhost'}", "broker", "carries a name or password; use user and password_file instead"},
		{d, "{kind: mqtt, topic: 'tub/#', broker: 'mqtt://localhost:1883'}", "topic", `"tub/#" has a wildcard; one source reads one topic`},
		{d, "{kind: mqtt, topic: '$share/bakery/tub', broker: 'mqtt://localhost:1883'}", "topic", `"$share/bakery/tub" shares its messages out among several readers, so that some would be missed; take out $share/ and the name after it`},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://localhost:1883', unit: 'F'}", "unit", `"F" is no unit of distance; expected one of mm, cm, m, in`},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://localhost:1883', stale_after: '1ns'}", "stale_after", "expected 1s to 24h, found 1ns"},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://localhost:1883', stale_after: 90}", "stale_after", "expected 1s to 24h, found 90"},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://localhost:1883', ca_file: 'ca.pem'}", "broker", "certificates are given but mqtt://localhost:1883 is without TLS; write mqtts://"},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtts://h:8883', cert_file: 'c.pem'}", "cert_file", "cert_file and key_file go together; one of them is missing"},
		{d, "{kind: mqtt, topic: 'tub', broker: 'mqtt://localhost:1883', password_file: 'p'}", "user", "missing; password_file needs the name it belongs to"},
		{d, "{kind: iio, min_mm: -1}", "min_mm", "expected 0 to 10000, found -1"},
		{d, "{kind: iio, min_mm: 300, max_mm: 200}", "max_mm", "expected more than min_mm (300), found 200"},
		{d, "{kind: iio, max_mm: 1e5}", "max_mm", "expected 0 to 10000, found 100000"},
		{d, "{kind: iio, offset_mm: .nan}", "offset_mm", "expected -500 to 500, found NaN"},
		{c, "{kind: w1, offset_c: 11}", "offset_c", "expected -10 to 10 Celsius, found 11"},
		{c, "{kind: w1, warm: 1}", "warm", "kind w1 does not take it; it takes id, power, offset_c"},
	} {
		_, err := decode(t, tc.text, tc.q)
		var fe *sensor.FieldError
		if assert.ErrorAs(t, err, &fe, tc.text) {
			assert.Equal(t, tc.field, fe.Field, tc.text)
			assert.Equal(t, tc.msg, text.New(text.Locale{}).Say(fe.Sentence()), tc.text)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("{kind: vl53l1x, bus: 1, address: 0x30, xshut: GPIO17, budget: 50ms}", 0)
	f.Add("{kind: mqtt, broker: \"mqtt://h:1\", topic: a, stale_after: 90}", 1)
	f.Add("{kind: hcsr04, trigger: 0, echo: 1, pings: [1, 2]}", 2)
	f.Fuzz(func(t *testing.T, text string, which int) {
		file, err := parser.ParseBytes([]byte(text), 0)
		if err != nil || len(file.Docs) == 0 || file.Docs[0].Body == nil || deep(file.Docs[0].Body) {
			return
		}
		q := []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity}[uint(which)%3]
		c, err := sensor.Decode(file.Docs[0].Body, q)
		if err != nil {
			return
		}
		again, err := decode(t, sensor.Flow(c), q)
		require.NoError(t, err, sensor.Flow(c))
		require.Equal(t, c, again)
	})
}

// deep reports whether a node refers to others, which a configuration does not.
func deep(n ast.Node) bool {
	found := false
	ast.Walk(visitor(func(n ast.Node) { found = found || n.Type() == ast.AnchorType || n.Type() == ast.AliasType }), n)
	return found
}

// visitor is called for each node.
type visitor func(ast.Node)

// Visit goes on into the node.
func (v visitor) Visit(n ast.Node) ast.Visitor { v(n); return v }

func TestLimits(t *testing.T) {
	reach := sensor.Reach{MinMM: 30, MaxMM: 1200}
	for _, c := range []struct {
		limits sensor.Limits
		mm     float64
		want   float64 // 0 = refused
	}{
		{sensor.Limits{}, 29, 0}, {sensor.Limits{}, 30, 30}, {sensor.Limits{}, 1201, 0}, {sensor.Limits{}, math.NaN(), 0},
		{sensor.Limits{MinMM: 20, MaxMM: 1500}, 25, 25}, {sensor.Limits{MinMM: 20, MaxMM: 1500}, 1400, 1400},
		{sensor.Limits{MinMM: 100}, 90, 0}, {sensor.Limits{OffsetMM: -5}, 32, 27},
	} {
		got, err := c.limits.Apply(c.mm, reach)
		assert.Equal(t, c.want, got)
		assert.Equal(t, c.want == 0, sensor.StatusOf(err) == sensor.OutOfRange)
	}
}

func TestSummary(t *testing.T) {
	median, spread, sd := sensor.Summary([]float64{3, 1, 2, 100}, 0)
	assert.Equal(t, 2.5, median)
	assert.InDelta(t, 1.4826, spread, 1e-9)
	assert.InDelta(t, 1.2533*1.4826/2, sd, 1e-9)
	median, _, sd = sensor.Summary(nil, 1)
	assert.True(t, math.IsNaN(median))
	assert.True(t, math.IsNaN(sd))
}
