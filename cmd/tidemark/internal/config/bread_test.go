package config

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

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

func TestProblemsOfBreadKeys(t *testing.T) {
	for _, c := range []struct{ name, old, fresh, want string }{
		{"no such vessel", "sample_of: tub", "sample_of: vat", `t.yaml:18:16: vessels[2].sample_of: there is no vessel "vat"; name the one with the bulk of the dough`},
		{"itself", "sample_of: tub", "sample_of: cup", `t.yaml:18:16: vessels[2].sample_of: a vessel cannot stand for itself; name the one with the bulk of the dough`},
		{"a starter", "sample_of: tub", "sample_of: jar", `t.yaml:18:16: vessels[2].sample_of: "jar" holds starter; name the vessel with the bulk of the dough`},
		{"a chain", "sample_of: tub", "sample_of: basket", `t.yaml:18:16: vessels[2].sample_of: "basket" stands for another vessel itself; name the one with the bulk of the dough`},
		{"two baskets", "sample_of: tub", "proof_of: tub", `t.yaml:18:15: vessels[2].proof_of: "tub" has one already: vessels[1]; name only one here`},
		{"own batch", "    sample_of: tub\n", "    sample_of: tub\n    batch: {flours: [{name: wheat, grams: 500}], water_g: 350, levain: {grams: 100, hydration_percent: 100}, salt_g: 10}\n",
			`t.yaml:18:16: vessels[2].sample_of: this vessel follows the batch of "tub"; remove its own batch`},
		{"feed of dough", "    sample_of: tub\n", "    sample_of: tub\n    feed: {starter_g: 20, flour_g: 40, water_g: 40}\n",
			`t.yaml:19:12: vessels[2].feed: a feeding belongs to a vessel that holds starter; remove it here`},
		{"feed key", "water_g: 40}", "water_ml: 40}", `t.yaml:24:40: vessels[3].feed: unknown field "water_ml"; check the spelling against the list of keys in the README`},
		{"feed amount", "starter_g: 20", "starter_g: -1", `t.yaml:24:23: vessels[3].feed.starter_g: a mass cannot be below 0 g, found -1`},
		{"loaf of starter", "    feed:", "    loaf: {kind: w1}\n    feed:", `t.yaml:24:12: vessels[3].loaf: a probe in the loaf belongs to the vessel with the bulk of its dough; move it there`},
		{"altitude", "1600", "16000", `t.yaml:1:25: household.altitude_m: 16000 m is outside -430 to 5500; give the kitchen's height above the sea`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(house, c.old, c.fresh, 1)
			require.NotEqual(t, house, text, "the row changes nothing")
			_, err := Parse("t.yaml", []byte(text), Sensors)
			if c.want == "" {
				require.NoError(t, err)
				return
			}
			require.EqualError(t, err, c.want)
		})
	}
}

func TestBasketAndSampleJarAreNotOneVessel(t *testing.T) {
	_, err := Parse("t.yaml", []byte(strings.Replace(house, "    sample_of: tub\n", "    sample_of: tub\n    proof_of: tub\n", 1)), Sensors)
	require.ErrorContains(t, err, "either the basket (proof_of) or the sample jar (sample_of)")
	_, err = Parse("t.yaml", []byte(strings.Replace(house, "holds: dough\n    sample_of", "holds: starter\n    sample_of", 1)), Sensors)
	require.ErrorContains(t, err, "a vessel with starter proofs no dough")
}
