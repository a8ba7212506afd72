package config

import (
	"os"
	"path/filepath"
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

// house is a tub with a probe for its loaf, its basket, its sample jar and a
// starter.
const house = `household: {altitude_m: 1600}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: iio, device: "iio:device0"}
    loaf: {kind: w1, id: 28-00000a1b2c3f}
    batch: {name: loaf, flours: [{name: wheat, grams: 900}], water_g: 600, levain: {grams: 200, hydration_percent: 100}, salt_g: 20, loaves: 2}
  - name: basket
    holds: dough
    proof_of: tub
    floor_mm: 200
    profile: {shape: bowl, rim_diameter_mm: 240, depth_mm: 110}
    height: {kind: iio, device: "iio:device1"}
  - name: cup
    holds: dough
    sample_of: tub
    floor_mm: 120
    profile: {shape: straight, diameter_mm: 60, height_mm: 100}
    height: {kind: iio, device: "iio:device2"}
  - name: jar
    holds: starter
    feed: {starter_g: 20, flour_g: 40, water_g: 40}
    floor_mm: 170
    profile: {shape: straight, diameter_mm: 85, height_mm: 150}
    height: {kind: iio, device: "iio:device3"}
`

// topic is a good channel.
const topic = `{name: phone, kind: topic, url: "https://example.org", topic: kitchen}`

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

// TestProblems has a row for every rule, with its exact message; of what other packages say
// with its place.
func TestProblems(t *testing.T) {
	for _, c := range []struct{ name, base, old, new, want string }{
		{"unknown key", good, "    lead: 40m", "    led: 40m", `t.yaml:12:5: vessels[0]: unknown field "led"; check the spelling against the list of keys in the README`},
		{"unknown top key", good, "sample_every: 10s", "sample_evry: 10s", `t.yaml:5:1: unknown field "sample_evry"; check the spelling against the list of keys in the README`},
		{"zone", good, "Europe/Vienna", "Mars/Base", `t.yaml:2:14: household.time_zone: "Mars/Base" is not a time zone known here; write it like Europe/Berlin, or leave it out for the system's`},
		{"clock", good, "clock: 12h", "clock: 13h", `t.yaml:3:10: household.clock: "13h" is not known; write one of: 24h, 12h`},
		{"temperature", good, "clock: 12h", "temperature: kelvin", `t.yaml:3:16: household.temperature: "kelvin" is not known; write one of: celsius, fahrenheit`},
		{"language", good, "clock: 12h", "language: fr", `t.yaml:3:13: household.language: "fr" is not known; write one of: en, de`},
		{"quiet time", good, "clock: 12h", "quiet_from: late", `t.yaml:3:15: household.quiet_from: "late" is not a time of day; write it like "22:30"`},
		{"half quiet", good, "clock: 12h", `quiet_from: "22:00"`, `t.yaml:2:3: household: quiet hours need both quiet_from and quiet_until; add the other one or remove this`},
		{"sampling text", good, "sample_every: 10s", "sample_every: often", `t.yaml:5:15: sample_every: "often" is not a duration; write it like 30m, 90s or 1h30m`},
		{"sampling range", good, "sample_every: 10s", "sample_every: 10ms", `t.yaml:5:15: sample_every: 10ms is outside 1s to 1m0s; choose a value in that range`},
		{"name", good, "name: tub", `name: "a/b"`, `t.yaml:7:11: vessels[0].name: "a/b" is not a usable name; give 1 to 40 letters, digits, spaces, - or _`},
		{"holds", good, "holds: dough", "holds: soup", `t.yaml:8:12: vessels[0].holds: "soup" is not known; write dough or starter`},
		{"no holds", good, "    holds: dough\n", "", `t.yaml:7:5: vessels[0].holds: it is not said what is in the vessel; write dough or starter`},
		{"floor zero", good, "floor_mm: 240", "floor_mm: 0", `t.yaml:9:15: vessels[0].floor_mm: 0 is not a distance; measure the empty vessel with tidemark level`},
		{"floor missing", good, "    floor_mm: 240\n", "", `t.yaml:7:5: vessels[0].floor_mm: the distance from the sensor to the empty vessel's floor is missing; measure it with tidemark level`},
		{"floor far", good, "floor_mm: 240", "floor_mm: 24000", `t.yaml:9:15: vessels[0].floor_mm: 24000 mm is beyond what a distance sensor sees (4000 mm); give millimetres from the sensor to the empty vessel's floor`},
		{"floor in vessel", good, "floor_mm: 240", "floor_mm: 140", `t.yaml:9:15: vessels[0].floor_mm: 140 mm is less than the vessel's height of 150 mm, so the sensor would sit inside it; measure from the sensor to the empty vessel's floor`},
		{"profile missing", good, "    profile: [[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]\n", "", `t.yaml:7:5: vessels[0].profile: the vessel's shape is missing; give [[height mm, litres], ...] from 0 upwards, or a shape such as {shape: straight, diameter_mm: 95, height_mm: 150}`},
		{"shape", good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: cone}", `t.yaml:10:22: vessels[0].profile.shape: "cone" is not a shape known here; write straight, tapered_round, tapered_rectangle or bowl`},
		{"no trigger line", good, `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, echo: 0}", `t.yaml:13:14: vessels[0].height.trigger: missing; kind hcsr04 cannot do without it`},
		{"an empty echo line", good, `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: 0, echo: }", `t.yaml:13:45: vessels[0].height.echo: missing; kind hcsr04 cannot do without it`},
		{"echo line", good, `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: 0, echo: 512}", `t.yaml:13:46: vessels[0].height.echo: expected 0 to 511, the line's number on the GPIO chip, found 512`},
		{"words for a line", good, `{kind: iio, device: "iio:device0"}`, "{kind: hcsr04, trigger: GPIO0, echo: 1}", `t.yaml:13:37: vessels[0].height: expected a number, found a text; see the list of keys in the README`},
		{"target", good, "target_percent: 90", "target_percent: 1", `t.yaml:11:21: vessels[0].target_percent: 1 is outside 5 to 400; 100 means doubled`},
		{"table range", good, "target_percent: 90", "target_by_dough_c: [[18, 100], [60, 75]]", `t.yaml:11:24: vessels[0].target_by_dough_c: row 2 is [60, 75]; expected [dough temperature 0 to 45 Celsius, rise 5 to 400 percent]`},
		{"table order", good, "target_percent: 90", "target_by_dough_c: [[21, 100], [18, 75]]", `t.yaml:11:24: vessels[0].target_by_dough_c: row 2 has 18 Celsius after 21; sort the rows by temperature`},
		{"height missing", good, "    height: {kind: iio, device: \"iio:device0\"}\n", "", `t.yaml:7:5: vessels[0].height: no height sensor is named; add one such as {kind: iio, device: "iio:device0"}, run tidemark check --scan to see what is connected, or write {kind: hand} and tell what you see`},
		{"listen", good, "state_dir: /tmp/state", "web: {listen: localhost}", `t.yaml:4:15: web.listen: "localhost" is not an address with a port; write it like 127.0.0.1:8080 or :8080`},
		{"port beyond", good, "state_dir: /tmp/state", "web: {listen: 127.0.0.1:99999}", `t.yaml:4:15: web.listen: "99999" is not a port; choose one from 1 to 65535, such as 8080`},
		{"port in words", good, "state_dir: /tmp/state", `web: {metrics_listen: ":kitchen"}`, `t.yaml:4:23: web.metrics_listen: "kitchen" is not a port; choose one from 1 to 65535, such as 8080`},
		{"half tls", good, "state_dir: /tmp/state", "web: {tls_cert: a.pem}", `t.yaml:4:7: web: TLS needs both tls_cert and tls_key; add the other one or remove this`},
		{"tls word", good, "state_dir: /tmp/state", "web: {tls: yes}", `t.yaml:4:12: web.tls: "yes" is not known; write own for a certificate that the page makes itself, or give tls_cert and tls_key`},
		{"tls twice", good, "state_dir: /tmp/state", "web: {tls: own, tls_cert: a.pem, tls_key: a.key}", `t.yaml:4:12: web.tls: there is a tls_cert as well; keep one of the two`},
		{"base url", good, "state_dir: /tmp/state", "web: {base_url: kitchen}", `t.yaml:4:17: web.base_url: "kitchen" is not an http or https address; write the address at which phones reach this page`},
		{"heartbeat", good, "state_dir: /tmp/state", "heartbeat_url: x", `t.yaml:4:16: heartbeat_url: "x" is not an http or https address; write the address your watcher gave you`},
		{"metrics listen", good, "state_dir: /tmp/state", "web: {metrics_listen: here}", `t.yaml:4:23: web.metrics_listen: "here" is not an address with a port; write it like 127.0.0.1:8080 or :8080`},
		{"channel key", good, "state_dir: /tmp/state", "channels: [{nam: phone}]", `t.yaml:4:13: channels[0]: unknown field "nam"; check the spelling against the list of keys in the README`},
		{"channel kind", good, "state_dir: /tmp/state", "channels: [{name: phone, kind: pigeon}]", `t.yaml:4:32: channels[0].kind: "pigeon" is no kind of channel; write one of: topic, webhook, mail, mqtt, command`},
		{"channel twice", good, "state_dir: /tmp/state", "channels: [" + topic + ", " + topic + "]", `t.yaml:4:91: channels[1].name: "phone" is used twice; give every channel its own name`},
		{"sensor key", good, `{kind: w1, id: 28-00000a1b2c3d}`, `{kind: w1, idd: 28-00000a1b2c3d}`, `t.yaml:14:28: vessels[0].dough.idd: kind w1 does not take it; it takes id, power, offset_c`},
		{"batch key", good, "    floor_mm: 240\n", "    floor_mm: 240\n" + "    batch: {nme: loaf}\n", `t.yaml:10:13: vessels[0].batch: unknown field "nme"; check the spelling against the list of keys in the README`},
		{"points", good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "[[0, 0], [x, 1]]", `t.yaml:10:24: vessels[0].profile: expected a number, found a text; see the list of keys in the README`},
		{"text for a number", good, "floor_mm: 240", "floor_mm: tall", `t.yaml:9:15: vessels[0]: expected a number, found a text; see the list of keys in the README`},
		{"list for a text", good, "holds: dough", "holds: [dough]", `t.yaml:8:12: vessels[0]: expected a text, found a list; see the list of keys in the README`},
		{"number for a shape", good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "5", `t.yaml:10:14: vessels[0].profile: expected keys with values, found a number; see the list of keys in the README`},
		{"text for a switch", good, "state_dir: /tmp/state", "web: {open_reading: often}", `t.yaml:4:21: expected true or false, found a text; see the list of keys in the README`},
		{"keys for a list", good, good[strings.Index(good, "vessels:"):], "vessels: {name: tub}\n", `t.yaml:6:10: expected a list, found keys with values; see the list of keys in the README`},
		{"shape key", good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: bowl, rim_mm: 3}", `t.yaml:10:28: vessels[0].profile: unknown field "rim_mm"; check the spelling against the list of keys in the README`},
		{"lead", good, "lead: 40m", "lead: 7h", `t.yaml:12:11: vessels[0].lead: 7h is outside 0s to 6h0m0s; choose a value in that range`},
		{"lost after", good, "lead: 40m", "lost_after: 2h", `t.yaml:12:17: vessels[0].lost_after: 2h is outside 1m0s to 1h0m0s; choose a value in that range`},
		{"three numbers in a point", good, goodProfile, "[[0, 0], [50, 1.0, 2.2]]", `t.yaml:10:23: vessels[0].profile[1]: expected [height mm, litres], found a list of 3`},
		{"one number in a point", good, goodProfile, "[[0], [50, 1.0]]", `t.yaml:10:15: vessels[0].profile[0]: expected [height mm, litres], found a list of 1`},
		{"no number in a point", good, goodProfile, "[[], [50, 1.0]]", `t.yaml:10:15: vessels[0].profile[0]: expected [height mm, litres], found a list of 0`},
		{"three sides", good, goodProfile, "{shape: tapered_rectangle, bottom_mm: [200,140,3], top_mm: [230,170], height_mm: 150}", `t.yaml:10:52: vessels[0].profile.bottom_mm: expected [length mm, width mm], found a list of 3`},
		{"a side missing", good, goodProfile, "{shape: tapered_rectangle, bottom_mm: [200,140], height_mm: 150}", `t.yaml:10:15: vessels[0].profile.top_mm: expected [length mm, width mm], found a list of 0`},
		{"three numbers in the table", good, "target_percent: 90", "target_by_dough_c: [[18,100,1],[21,75]]", `t.yaml:11:25: vessels[0].target_by_dough_c[0]: expected [dough temperature C, rise percent], found a list of 3`},
		{"nothing for a channel", good, "state_dir: /tmp/state", "channels: [null]", `t.yaml:4:12: channels[0]: there is nothing here; write it or remove it`},
		{"a lone dash for a channel", good, "state_dir: /tmp/state", "channels:\n  - ", `t.yaml:5:4: channels[0]: there is nothing here; write it or remove it`},
		{"a lone dash for a vessel", good, "vessels:\n", "vessels:\n  -\n", `t.yaml:7:4: vessels[0]: there is nothing here; write it or remove it`},
		{"nothing for a flour", good, "    floor_mm: 240\n", "    floor_mm: 240\n    batch: {name: loaf, flours: [null], water_g: 1}\n", `t.yaml:10:34: vessels[0].batch.flours[0].grams: must be above 0 g, found 0: leave the entry out instead`},
		{"nothing for a point", good, goodProfile, "[[0, 0], ~]", `t.yaml:10:23: vessels[0].profile[1]: expected [height mm, litres], found a list of 0`},
		{"a number for a vessel", good, good[strings.Index(good, "vessels:"):], "vessels: [5]\n", `t.yaml:6:11: vessels[0]: expected keys with values, found a number; see the list of keys in the README`},
		{"an alias", good, "target_percent: 90", "target_percent: &mark 90", `t.yaml:11:21: "&": anchors, aliases, tags and directives of YAML are not read here; write the value itself, or put it in quotes`},
		{"a tag", good, "target_percent: 90", "target_percent: !!float 90", `t.yaml:11:21: "!!float": anchors, aliases, tags and directives of YAML are not read here; write the value itself, or put it in quotes`},
		{"a second document", good, "vessels:\n", "---\nvessels:\n", `t.yaml:6:1: a second document begins here and would not be read; remove the line of dashes`},
		{"sensor", good, `{kind: w1, id: 28-00000a1b2c3d}`, `{kind: vl53l1x}`, `t.yaml:14:19: vessels[0].dough.kind: `},
		{"channel", good, "state_dir: /tmp/state", `channels: [{name: phone, kind: topic, url: "ftp://x", topic: t}]`, `t.yaml:4:44: channels[0].url: `},
		{"batch", good, "    floor_mm: 240\n", "    floor_mm: 240\n    batch: {name: loaf, water_g: -3}\n", `t.yaml:10:13: vessels[0].batch.flours: `},
		{"shape", good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", "{shape: straight, diameter_mm: -1, height_mm: 100}", `t.yaml:10:45: vessels[0].profile.diameter_mm: -1 is not an inside measure; give millimetres, more than 0 and under 5000`},
		{"no such vessel", house, "sample_of: tub", "sample_of: vat", `t.yaml:18:16: vessels[2].sample_of: there is no vessel "vat"; name the one with the bulk of the dough`},
		{"itself", house, "sample_of: tub", "sample_of: cup", `t.yaml:18:16: vessels[2].sample_of: a vessel cannot stand for itself; name the one with the bulk of the dough`},
		{"a starter", house, "sample_of: tub", "sample_of: jar", `t.yaml:18:16: vessels[2].sample_of: "jar" holds starter; name the vessel with the bulk of the dough`},
		{"a chain", house, "sample_of: tub", "sample_of: basket", `t.yaml:18:16: vessels[2].sample_of: "basket" stands for another vessel itself; name the one with the bulk of the dough`},
		{"two baskets", house, "sample_of: tub", "proof_of: tub", `t.yaml:18:15: vessels[2].proof_of: "tub" has one already: vessels[1]; name only one here`},
		{"own batch", house, "    sample_of: tub\n", "    sample_of: tub\n    batch: {flours: [{name: wheat, grams: 500}], water_g: 350, levain: {grams: 100, hydration_percent: 100}, salt_g: 10}\n",
			`t.yaml:18:16: vessels[2].sample_of: this vessel follows the batch of "tub"; remove its own batch`},
		{"feed of dough", house, "    sample_of: tub\n", "    sample_of: tub\n    feed: {starter_g: 20, flour_g: 40, water_g: 40}\n",
			`t.yaml:19:12: vessels[2].feed: a feeding belongs to a vessel that holds starter; remove it here`},
		{"feed key", house, "water_g: 40}", "water_ml: 40}", `t.yaml:24:40: vessels[3].feed: unknown field "water_ml"; check the spelling against the list of keys in the README`},
		{"feed amount", house, "starter_g: 20", "starter_g: -1", `t.yaml:24:23: vessels[3].feed.starter_g: a mass cannot be below 0 g, found -1`},
		{"loaf of starter", house, "    feed:", "    loaf: {kind: w1}\n    feed:", `t.yaml:24:12: vessels[3].loaf: a probe in the loaf belongs to the vessel with the bulk of its dough; move it there`},
		{"altitude", house, "1600", "16000", `t.yaml:1:25: household.altitude_m: 16000 m is outside -430 to 5500; give the kitchen's height above the sea`},
		{"a basket and a sample jar", house, "    sample_of: tub\n", "    sample_of: tub\n    proof_of: tub\n", `t.yaml:19:15: vessels[2].proof_of: a vessel is either the basket (proof_of) or the sample jar (sample_of); remove one` + "\n" + `t.yaml:18:16: vessels[2].sample_of: a vessel is either the basket (proof_of) or the sample jar (sample_of); remove one`},
		{"a sample jar of starter", house, "holds: dough\n    sample_of", "holds: starter\n    sample_of", `t.yaml:18:16: vessels[2].sample_of: a vessel with starter proofs no dough; write holds: dough or remove this`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(c.base, c.old, c.new, 1)
			require.NotEqual(t, c.base, text, "the row changes nothing")
			_, err := Parse("t.yaml", []byte(text), Sensors)
			require.Error(t, err)
			if strings.HasSuffix(c.want, ": ") { // the rest is tested where it is said
				assert.True(t, strings.HasPrefix(err.Error(), c.want), "%s should begin with %s", err, c.want)
				return
			}
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

func TestBreadKeys(t *testing.T) {
	cfg, err := Parse("t.yaml", []byte(house), Sensors)
	require.NoError(t, err)
	assert.Equal(t, 1600.0, cfg.Household.AltitudeM)
	tub, basket, cup, jar := cfg.Vessels[0], cfg.Vessels[1], cfg.Vessels[2], cfg.Vessels[3]
	assert.Equal(t, "28-00000a1b2c3f", tub.Loaf.(*sensor.W1).ID)
	assert.Equal(t, "loaf", tub.Sensors()[1].Role)
	assert.Equal(t, "tub", basket.ProofOf)
	assert.Equal(t, "tub", cup.SampleOf)
	assert.Equal(t, "1 : 2 : 2", jar.Feed.Ratio())
	without, err := Parse("t.yaml", []byte(house), WithoutSensors)
	require.NoError(t, err)
	assert.Nil(t, without.Vessels[0].Loaf)
}

func TestEveryShape(t *testing.T) {
	for _, shape := range []string{
		"{shape: straight, diameter_mm: 180, height_mm: 200}",
		"{shape: tapered_round, bottom_diameter_mm: 150, top_diameter_mm: 190, height_mm: 200}",
		"{shape: tapered_rectangle, bottom_mm: [200, 150], top_mm: [230, 180], height_mm: 150}",
		"{shape: bowl, rim_diameter_mm: 260, depth_mm: 110}",
	} {
		cfg, err := Parse("t.yaml", []byte(strings.Replace(good, "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]", shape, 1)), Sensors)
		require.NoError(t, err, shape)
		p := cfg.Vessels[0].Profile
		assert.Positive(t, p.Volume(p.TopMM()/2), shape)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	_, err := Load(filepath.Join(dir, "none.yaml"), Sensors)
	require.ErrorContains(t, err, "name the file with --config")
	_, err = Load(dir, Sensors)
	require.ErrorContains(t, err, "cannot be read")
	big := filepath.Join(dir, "big.yaml")
	require.NoError(t, os.WriteFile(big, []byte(strings.Repeat("# x\n", maxFileBytes/4+1)), 0o600))
	_, err = Load(big, Sensors)
	require.EqualError(t, err, big+": the file is larger than 64 KiB; this is no file of settings")
	ok := filepath.Join(dir, "ok.yaml")
	require.NoError(t, os.WriteFile(ok, []byte(good), 0o600))
	cfg, err := Load(ok, Sensors)
	require.NoError(t, err)
	assert.Equal(t, ok, cfg.File)
}

func TestVesselByName(t *testing.T) {
	one, err := Parse("t.yaml", []byte(good), Sensors)
	require.NoError(t, err)
	_, err = one.Vessel("")
	require.NoError(t, err)
	_, err = one.Vessel("jar")
	require.EqualError(t, err, `t.yaml has no vessel "jar": it has tub`)
	two := good + strings.Replace(good[strings.Index(good, "  - name"):], "name: tub", "name: jar", 1)
	cfg, err := Parse("t.yaml", []byte(two), Sensors)
	require.NoError(t, err)
	_, err = cfg.Vessel("")
	require.EqualError(t, err, "t.yaml has 2 vessels: say which with --vessel (tub, jar)")
	v, err := cfg.Vessel("jar")
	require.NoError(t, err)
	assert.Equal(t, "jar", v.Name)
}
