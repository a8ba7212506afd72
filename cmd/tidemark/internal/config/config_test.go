package config

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
	"tidemark/sensor"
)

// good is a configuration without a fault; tests change one line of it.
const good = `household:
  time_zone: Europe/Vienna
  clock: 12h
state_dir: /tmp/state
sample_every: 10s
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]
    target_percent: 90
    lead: 40m
    height: {kind: iio, device: "iio:device0"}
    dough: {kind: w1, id: 28-00000a1b2c3d}
`

func TestParseGood(t *testing.T) {
	cfg, err := Parse("t.yaml", []byte(good), Sensors)
	require.NoError(t, err)
	v := cfg.Vessels[0]
	assert.Equal(t, "tub", v.Name)
	assert.Equal(t, estimator.Dough, v.Holds)
	assert.Equal(t, 240.0, v.FloorMM)
	assert.Equal(t, 90.0, v.TargetPercent)
	assert.Equal(t, 40*time.Minute, v.Lead)
	assert.Equal(t, 5*time.Minute, v.LostAfter)
	assert.Equal(t, &sensor.IIO{Device: "iio:device0"}, v.Height)
	assert.Nil(t, v.Air)
	assert.InDelta(t, 1.0, v.Profile.Volume(50), 1e-12)
	assert.Equal(t, 10*time.Second, cfg.SampleEvery)
	assert.True(t, cfg.Household.TwelveHour)
	assert.Equal(t, "127.0.0.1:8080", cfg.Web.Listen)
}

func TestDefaultsOfAVessel(t *testing.T) {
	cfg, err := Parse("t.yaml", []byte("vessels:\n  - {name: jar, holds: starter, floor_mm: 180, profile: {shape: straight, diameter_mm: 85, height_mm: 140}}\n"), WithoutSensors)
	require.NoError(t, err)
	assert.Equal(t, 100.0, cfg.Vessels[0].TargetPercent)
	assert.Equal(t, 30*time.Minute, cfg.Vessels[0].Lead)
}

// TestLineZero takes the first line of a GPIO chip as any other.
func TestLineZero(t *testing.T) {
	text := strings.Replace(good, `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: 0, echo: 1}", 1)
	cfg, err := Parse("t.yaml", []byte(text), Sensors)
	require.NoError(t, err)
	assert.Equal(t, &sensor.HCSR04{Trigger: new(0), Echo: new(1)}, cfg.Vessels[0].Height)
}

// TestProblems has a row for every rule, with its exact message.
func TestProblems(t *testing.T) {
	cases := []struct{ name, old, new, want string }{
		{"unknown key", "    lead: 40m", "    led: 40m", `t.yaml:12:5: vessels[0]: unknown field "led"; check the spelling against the list of keys in the README`},
		{"unknown top key", "sample_every: 10s", "sample_evry: 10s", `t.yaml:5:1: unknown field "sample_evry"; check the spelling against the list of keys in the README`},
		{"zone", "Europe/Vienna", "Mars/Base", `t.yaml:2:14: household.time_zone: "Mars/Base" is not a time zone known here; write it like Europe/Berlin, or leave it out for the system's`},
		{"clock", "clock: 12h", "clock: 13h", `t.yaml:3:10: household.clock: "13h" is not known; write one of: 24h, 12h`},
		{"temperature", "clock: 12h", "temperature: kelvin", `t.yaml:3:16: household.temperature: "kelvin" is not known; write one of: celsius, fahrenheit`},
		{"language", "clock: 12h", "language: fr", `t.yaml:3:13: household.language: "fr" is not known; write one of: en, de`},
		{"quiet time", "clock: 12h", "quiet_from: late", `t.yaml:3:15: household.quiet_from: "late" is not a time of day; write it like "22:30"`},
		{"half quiet", "clock: 12h", `quiet_from: "22:00"`, `t.yaml:2:3: household: quiet hours need both quiet_from and quiet_until; add the other one or remove this`},
		{"sampling text", "sample_every: 10s", "sample_every: often", `t.yaml:5:15: sample_every: "often" is not a duration; write it like 30m, 90s or 1h30m`},
		{"sampling range", "sample_every: 10s", "sample_every: 10ms", `t.yaml:5:15: sample_every: 10ms is outside 1s to 1m0s; choose a value in that range`},
		{"name", "name: tub", `name: "a/b"`, `t.yaml:7:11: vessels[0].name: "a/b" is not a usable name; give 1 to 40 letters, digits, spaces, - or _`},
		{"holds", "holds: dough", "holds: soup", `t.yaml:8:12: vessels[0].holds: "soup" is not known; write dough or starter`},
		{"no holds", "    holds: dough\n", "", `t.yaml:7:5: vessels[0].holds: it is not said what is in the vessel; write dough or starter`},
		{"floor zero", "floor_mm: 240", "floor_mm: 0", `t.yaml:9:15: vessels[0].floor_mm: 0 is not a distance; measure the empty vessel with tidemark level`},
		{"floor missing", "    floor_mm: 240\n", "", `t.yaml:7:5: vessels[0].floor_mm: the distance from the sensor to the empty vessel's floor is missing; measure it with tidemark level`},
		{"floor far", "floor_mm: 240", "floor_mm: 24000", `t.yaml:9:15: vessels[0].floor_mm: 24000 mm is beyond what a distance sensor sees (4000 mm); give millimetres from the sensor to the empty vessel's floor`},
		{"floor in vessel", "floor_mm: 240", "floor_mm: 140", `t.yaml:9:15: vessels[0].floor_mm: 140 mm is less than the vessel's height of 150 mm, so the sensor would sit inside it; measure from the sensor to the empty vessel's floor`},
		{"profile missing", "    profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]\n", "", `t.yaml:7:5: vessels[0].profile: the vessel's shape is missing; give [[height mm, litres], ...] from 0 upwards, or a shape such as {shape: straight, diameter_mm: 95, height_mm: 150}`},
		{"shape", "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: cone}", `t.yaml:10:22: vessels[0].profile.shape: "cone" is not a shape known here; write straight, tapered_round, tapered_rectangle or bowl`},
		{"no trigger line", `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, echo: 0}", `t.yaml:13:14: vessels[0].height.trigger: missing; kind hcsr04 cannot do without it`},
		{"an empty echo line", `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: 0, echo: }", `t.yaml:13:45: vessels[0].height.echo: missing; kind hcsr04 cannot do without it`},
		{"echo line", `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: 0, echo: 512}", `t.yaml:13:46: vessels[0].height.echo: expected 0 to 511, the line's number on the GPIO chip, found 512`},
		{"words for a line", `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: GPIO0, echo: 1}", `t.yaml:13:37: vessels[0].height: expected a number, found a text; see the list of keys in the README`},
		{"target", "target_percent: 90", "target_percent: 1", `t.yaml:11:21: vessels[0].target_percent: 1 is outside 5 to 400; 100 means doubled`},
		{"table range", "target_percent: 90", "target_by_dough_c: [[18, 100], [60, 75]]", `t.yaml:11:24: vessels[0].target_by_dough_c: row 2 is [60, 75]; expected [dough temperature 0 to 45 Celsius, rise 5 to 400 percent]`},
		{"table order", "target_percent: 90", "target_by_dough_c: [[21, 100], [18, 75]]", `t.yaml:11:24: vessels[0].target_by_dough_c: row 2 has 18 Celsius after 21; sort the rows by temperature`},
		{"height missing", "    height: {kind: iio, device: \"iio:device0\"}\n", "", `t.yaml:7:5: vessels[0].height: no height sensor is named; add one such as {kind: iio, device: "iio:device0"}, run tidemark check --scan to see what is connected, or write {kind: hand} and tell what you see`},
		{"listen", "state_dir: /tmp/state", "web: {listen: localhost}", `t.yaml:4:15: web.listen: "localhost" is not an address with a port; write it like 127.0.0.1:8080 or :8080`},
		{"port beyond", "state_dir: /tmp/state", "web: {listen: 127.0.0.1:99999}", `t.yaml:4:15: web.listen: "99999" is not a port; choose one from 1 to 65535, such as 8080`},
		{"port in words", "state_dir: /tmp/state", `web: {metrics_listen: ":kitchen"}`, `t.yaml:4:23: web.metrics_listen: "kitchen" is not a port; choose one from 1 to 65535, such as 8080`},
		{"half tls", "state_dir: /tmp/state", "web: {tls_cert: a.pem}", `t.yaml:4:7: web: TLS needs both tls_cert and tls_key; add the other one or remove this`},
		{"tls word", "state_dir: /tmp/state", "web: {tls: yes}", `t.yaml:4:12: web.tls: "yes" is not known; write own for a certificate that the page makes itself, or give tls_cert and tls_key`},
		{"tls twice", "state_dir: /tmp/state", "web: {tls: own, tls_cert: a.pem, tls_key: a.key}", `t.yaml:4:12: web.tls: there is a tls_cert as well; keep one of the two`},
		{"base url", "state_dir: /tmp/state", "web: {base_url: kitchen}", `t.yaml:4:17: web.base_url: "kitchen" is not an http or https address; write the address at which phones reach this page`},
		{"heartbeat", "state_dir: /tmp/state", "heartbeat_url: x", `t.yaml:4:16: heartbeat_url: "x" is not an http or https address; write the address your watcher gave you`},
		{"metrics listen", "state_dir: /tmp/state", "web: {metrics_listen: here}", `t.yaml:4:23: web.metrics_listen: "here" is not an address with a port; write it like 127.0.0.1:8080 or :8080`},
		{"channel key", "state_dir: /tmp/state", "channels: [{nam: phone}]", `t.yaml:4:13: channels[0]: unknown field "nam"; check the spelling against the list of keys in the README`},
		{"channel kind", "state_dir: /tmp/state", "channels: [{name: phone, kind: pigeon}]", `t.yaml:4:32: channels[0].kind: "pigeon" is no kind of channel; write one of: topic, webhook, mail, mqtt, command`},
		{"channel twice", "state_dir: /tmp/state", "channels: [" + topic + ", " + topic + "]", `t.yaml:4:91: channels[1].name: "phone" is used twice; give every channel its own name`},
		{"sensor key", `{kind: w1, id: 28-00000a1b2c3d}`, `{kind: w1, idd: 28-00000a1b2c3d}`, `t.yaml:14:28: vessels[0].dough.idd: kind w1 does not take it; it takes id, power, offset_c`},
		{"batch key", "    floor_mm: 240\n", "    floor_mm: 240\n" + "    batch: {nme: loaf}\n", `t.yaml:10:13: vessels[0].batch: unknown field "nme"; check the spelling against the list of keys in the README`},
		{"points", "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "[[0, 0], [x, 1]]", `t.yaml:10:24: vessels[0].profile: expected a number, found a text; see the list of keys in the README`},
		{"text for a number", "floor_mm: 240", "floor_mm: tall", `t.yaml:9:15: vessels[0]: expected a number, found a text; see the list of keys in the README`},
		{"list for a text", "holds: dough", "holds: [dough]", `t.yaml:8:12: vessels[0]: expected a text, found a list; see the list of keys in the README`},
		{"number for a shape", "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "5", `t.yaml:10:14: vessels[0].profile: expected keys with values, found a number; see the list of keys in the README`},
		{"text for a switch", "state_dir: /tmp/state", "web: {open_reading: often}", `t.yaml:4:21: expected true or false, found a text; see the list of keys in the README`},
		{"keys for a list", good[strings.Index(good, "vessels:"):], "vessels: {name: tub}\n", `t.yaml:6:10: expected a list, found keys with values; see the list of keys in the README`},
		{"shape key", "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: bowl, rim_mm: 3}", `t.yaml:10:28: vessels[0].profile: unknown field "rim_mm"; check the spelling against the list of keys in the README`},
		{"lead", "lead: 40m", "lead: 7h", `t.yaml:12:11: vessels[0].lead: 7h is outside 0s to 6h0m0s; choose a value in that range`},
		{"lost after", "lead: 40m", "lost_after: 2h", `t.yaml:12:17: vessels[0].lost_after: 2h is outside 1m0s to 1h0m0s; choose a value in that range`},
		{"three numbers in a point", goodProfile, "[[0, 0], [50, 1.0, 2.2]]", `t.yaml:10:23: vessels[0].profile[1]: expected [height mm, litres], found a list of 3`},
		{"one number in a point", goodProfile, "[[0], [50, 1.0]]", `t.yaml:10:15: vessels[0].profile[0]: expected [height mm, litres], found a list of 1`},
		{"no number in a point", goodProfile, "[[], [50, 1.0]]", `t.yaml:10:15: vessels[0].profile[0]: expected [height mm, litres], found a list of 0`},
		{"three sides", goodProfile, "{shape: tapered_rectangle, bottom_mm: [200,140,3], top_mm: [230,170], height_mm: 150}", `t.yaml:10:52: vessels[0].profile.bottom_mm: expected [length mm, width mm], found a list of 3`},
		{"a side missing", goodProfile, "{shape: tapered_rectangle, bottom_mm: [200,140], height_mm: 150}", `t.yaml:10:15: vessels[0].profile.top_mm: expected [length mm, width mm], found a list of 0`},
		{"three numbers in the table", "target_percent: 90", "target_by_dough_c: [[18,100,1],[21,75]]", `t.yaml:11:25: vessels[0].target_by_dough_c[0]: expected [dough temperature C, rise percent], found a list of 3`},
		{"nothing for a channel", "state_dir: /tmp/state", "channels: [null]", `t.yaml:4:12: channels[0]: there is nothing here; write it or remove it`},
		{"a lone dash for a channel", "state_dir: /tmp/state", "channels:\n  - ", `t.yaml:5:4: channels[0]: there is nothing here; write it or remove it`},
		{"a lone dash for a vessel", "vessels:\n", "vessels:\n  -\n", `t.yaml:7:4: vessels[0]: there is nothing here; write it or remove it`},
		{"nothing for a flour", "    floor_mm: 240\n", "    floor_mm: 240\n    batch: {name: loaf, flours: [null], water_g: 1}\n", `t.yaml:10:34: vessels[0].batch.flours[0].grams: must be above 0 g, found 0: leave the entry out instead`},
		{"nothing for a point", goodProfile, "[[0, 0], ~]", `t.yaml:10:23: vessels[0].profile[1]: expected [height mm, litres], found a list of 0`},
		{"a number for a vessel", good[strings.Index(good, "vessels:"):], "vessels: [5]\n", `t.yaml:6:11: vessels[0]: expected keys with values, found a number; see the list of keys in the README`},
		{"an alias", "target_percent: 90", "target_percent: &mark 90", `t.yaml:11:21: "&": anchors, aliases, tags and directives of YAML are not read here; write the value itself, or put it in quotes`},
		{"a tag", "target_percent: 90", "target_percent: !!float 90", `t.yaml:11:21: "!!float": anchors, aliases, tags and directives of YAML are not read here; write the value itself, or put it in quotes`},
		{"a second document", "vessels:\n", "---\nvessels:\n", `t.yaml:6:1: a second document begins here and would not be read; remove the line of dashes`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			require.NotEqual(t, good, text, "the row changes nothing")
			_, err := Parse("t.yaml", []byte(text), Sensors)
			require.Error(t, err)
			assert.Equal(t, c.want, err.Error())
		})
	}
}

// TestByHandNeedsNoShape takes a vessel without a height sensor for a replay.
func TestByHandNeedsNoShape(t *testing.T) {
	text := "vessels:\n  - {name: bowl, holds: dough, height: {kind: hand}}\n"
	cfg, err := Parse("t.yaml", []byte(text), WithoutSensors)
	require.NoError(t, err)
	assert.True(t, cfg.Vessels[0].ByHand)
	_, err = Parse("t.yaml", []byte(text), Sensors)
	require.NoError(t, err, "the service is told looks")
	assert.Nil(t, cfg.Vessels[0].Profile)
	_, err = Parse("t.yaml", []byte(strings.Replace(text, "kind: hand", "kind: hand, floor_mm: 3", 1)), WithoutSensors)
	require.ErrorContains(t, err, "vessels[0].floor_mm: the distance from the sensor")
	_, err = Parse("t.yaml", []byte(strings.Replace(text, "holds: dough", "holds: dough, floor_mm: -1", 1)), WithoutSensors)
	require.ErrorContains(t, err, "-1 is not a distance")
}

func TestTwoVesselsOfOneName(t *testing.T) {
	two := good + strings.Replace(good[strings.Index(good, "  - name"):], "holds: dough", "holds: starter", 1)
	_, err := Parse("t.yaml", []byte(two), Sensors)
	require.EqualError(t, err, `t.yaml:15:11: vessels[1].name: "tub" is the name of vessels[0] already; give every vessel its own`)
}

func TestAllProblemsAtOnce(t *testing.T) {
	text := strings.Replace(strings.Replace(good, "holds: dough", "holds: soup", 1), "floor_mm: 240", "floor_mm: -3", 1)
	_, err := Parse("t.yaml", []byte(text), Sensors)
	require.Error(t, err)
	assert.Len(t, strings.Split(err.Error(), "\n"), 2)
}

func TestSensorKeysArePassedOverInReplay(t *testing.T) {
	text := strings.Replace(good, "kind: iio", "kind: something_else, nonsense: 1", 1)
	_, err := Parse("t.yaml", []byte(text), WithoutSensors)
	require.NoError(t, err)
	_, err = Parse("t.yaml", []byte(text), Sensors)
	require.Error(t, err)
}

func TestSyntaxErrorHasAPlace(t *testing.T) {
	_, err := Parse("t.yaml", []byte("vessels:\n  - name: [\n"), Sensors)
	require.Error(t, err)
	assert.Regexp(t, `^t\.yaml:\d+:\d+: `, err.Error())
}

func TestVesselByName(t *testing.T) {
	cfg, err := Parse("t.yaml", []byte(good), Sensors)
	require.NoError(t, err)
	_, err = cfg.Vessel("")
	require.NoError(t, err)
	_, err = cfg.Vessel("jar")
	require.EqualError(t, err, `t.yaml has no vessel "jar": it has tub`)
}
