package bake

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Worked example: 50 g of starter at 100 % hydration with 225 g of flour and
// 175 g of water makes a levain of 250 g of flour, inoculation 10 %; that
// levain with 750 g flour, 550 g water and 20 g salt has an inoculation of
// 25 %. Source: bwraith, Sourdough Rise Time Table, The Fresh Loaf. Hydration
// 75 % and salt 2 % are computed from it.
func TestNumbersWorkedLevain(t *testing.T) {
	build := Batch{
		Flours: []Flour{{Name: "white", Grams: 225}}, WaterG: 175,
		Levain: Levain{Grams: 50, HydrationPercent: 100},
	}
	n, err := build.Numbers(), build.Validate()
	require.NoError(t, err)
	assert.InDelta(t, 250, n.FlourG, 1e-9)
	assert.InDelta(t, 10, n.InoculationPercent, 1e-9)
	assert.InDelta(t, 80, n.HydrationPercent, 1e-9)

	dough := Batch{
		Flours: []Flour{{Name: "white", Grams: 750}}, WaterG: 550, SaltG: 20,
		Levain: Levain{Grams: n.TotalG, HydrationPercent: n.HydrationPercent}, Loaves: 2,
	}
	d, err := dough.Numbers(), dough.Validate()
	require.NoError(t, err)
	assert.InDelta(t, 1000, d.FlourG, 1e-9)
	assert.InDelta(t, 25, d.InoculationPercent, 1e-9)
	assert.InDelta(t, 75, d.HydrationPercent, 1e-9)
	assert.InDelta(t, 2, d.SaltPercent, 1e-9)
	assert.InDelta(t, 1770, d.TotalG, 1e-9)
	assert.InDelta(t, 885, d.PerLoafG, 1e-9)
}

// Worked example: 1000 g flour, 600 g water, 10 g salt are 100, 60 and 1 %.
// Source: sourdough.co.uk glossary.
func TestNumbersPlainPercentages(t *testing.T) {
	n := Batch{Flours: []Flour{{Name: "white", Grams: 1000}}, WaterG: 600, SaltG: 10}.Numbers()
	assert.InDelta(t, 60, n.HydrationPercent, 1e-9)
	assert.InDelta(t, 1, n.SaltPercent, 1e-9)
	assert.Zero(t, n.InoculationPercent)
}

// Worked example: 100/59/2/1 makes 162 % (the 1 % of yeast is left in as an
// inclusion here). 32 oz of flour need 18.88 oz water and 0.64 oz salt, dough
// 51.84 oz; 48 oz of dough need 29.63 oz of flour. Source: baking forum
// tutorial; the last figure is computed.
func TestScaleToLoavesWorked(t *testing.T) {
	b := Batch{
		Flours: []Flour{{Name: "white", Grams: 32}}, WaterG: 18.88, SaltG: 0.64,
		Inclusions: []Inclusion{{Name: "yeast", Grams: 0.32}},
	}
	n, err := b.Numbers(), b.Validate()
	require.NoError(t, err)
	assert.InDelta(t, 51.84, n.TotalG, 1e-9)
	got, err := b.ScaleToLoaves(3, 16)
	require.NoError(t, err)
	assert.InDelta(t, 29.63, got.Flours[0].Grams, 0.005)
	assert.Equal(t, 3, got.Loaves)
	assert.InDelta(t, 32, b.Flours[0].Grams, 1e-12, "the original must not change")
}

// The specific volume after mixing is 0.85 mL/g (Handbook on Sourdough
// Biotechnology, Table 3.4): the default 1.76 kg start at 1.496 L.
func TestStartVolume(t *testing.T) {
	n := DefaultBatch().Numbers()
	assert.InDelta(t, 1760, n.TotalG, 1e-9)
	assert.InDelta(t, 1.496, n.StartVolumeL, 1e-9)
	assert.InDelta(t, 74, n.HydrationPercent, 1e-9)
	assert.InDelta(t, 10, n.InoculationPercent, 1e-9)
	assert.Empty(t, DefaultBatch().Warnings())
}

func TestScaleToTub(t *testing.T) {
	b, err := DefaultBatch().ScaleToTub(4, 100, 0.1)
	require.NoError(t, err)
	n, err := b.Numbers(), b.Validate()
	require.NoError(t, err)
	assert.InDelta(t, 3.6, 2*n.StartVolumeL, 1e-9)

	for _, tub := range []float64{0, math.NaN()} {
		_, err := DefaultBatch().ScaleToTub(tub, 100, 0.1)
		assert.Contains(t, inWords(err), "tub_l: the tub must hold more than 0 L")
	}
	_, err = DefaultBatch().ScaleToLoaves(0, 800)
	assert.Equal(t, "loaves: at least one loaf is needed, found 0", inWords(err))
	_, err = DefaultBatch().ScaleToLoaves(2, math.NaN())
	assert.Equal(t, "each_g: the weight of a loaf must be above 0 g, found NaN", inWords(err))
}

func TestValidateRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*Batch)
		want string
	}{
		{"no flour", func(b *Batch) { b.Flours = nil }, "flours: at least one flour is needed, found none"},
		{"zero flour", func(b *Batch) { b.Flours[1].Grams = 0 }, "flours[1].grams: must be above 0 g, found 0: leave the entry out instead"},
		{"negative water", func(b *Batch) { b.WaterG = -1 }, "water_g: a mass cannot be below 0 g, found -1"},
		{"NaN salt", func(b *Batch) { b.SaltG = math.NaN() }, "salt_g: must be a number of grams, found NaN"},
		{"too much salt", func(b *Batch) { b.SaltG = 200 }, "salt_g: the salt per flour must be 0 to 6 %, found 20.0 %: check the masses"},
		{"soup", func(b *Batch) { b.WaterG = 2000 }, "water_g: the hydration with the levain counted must be 35 to 150 %, found 210.0 %: check the masses"},
		{"all levain", func(b *Batch) { b.Levain.Grams = 4000 }, "levain.grams: the share of fermented flour must be 0 to 60 %, found 69.0 %: check the masses"},
		{"levain hydration", func(b *Batch) { b.Levain.HydrationPercent = 0 }, "levain.hydration_percent: must be 40 to 250 %, found 0: 100 means equal parts of flour and water"},
		{"kilograms", func(b *Batch) { b.WaterG = 2e6 }, "water_g: must be at most 1000000 g, found 2e+06: masses are in grams"},
		{"loaves", func(b *Batch) { b.Loaves = -1 }, "loaves: must be 0 (not said) to 1000, found -1"},
		{"nameless", func(b *Batch) { b.Inclusions = []Inclusion{{Grams: 1}} }, "inclusions[0].name: a name is needed: allergens are told by it"},
		{"wet", func(b *Batch) { b.Inclusions = []Inclusion{{Name: "x", Grams: 1, WaterG: 2}} }, "inclusions[0].water_g: must be 0 to its own mass of 1 g, found 2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := DefaultBatch()
			c.edit(&b)
			err := b.Validate()
			assert.Equal(t, c.want, inWords(err))
		})
	}
}

func TestWarnings(t *testing.T) {
	b := DefaultBatch()
	b.SaltG = 5
	b.WaterG = 900
	assert.Equal(t, "Hydration is 100.0 %, usual is 55 to 90 %: a slack dough that spreads and traps less gas. "+
		"Salt is 0.5 %, usual is 1.5 to 2.5 %: the dough rises faster and tastes flat.", words(b.Warnings()...))
}

// Whatever the batch, scaling and changing the levain keep what they promise.
func TestBatchProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		flour := rapid.Float64Range(100, 20000).Draw(t, "flour")
		share := func(name string, low, high float64) float64 {
			return flour * rapid.Float64Range(low, high).Draw(t, name) / 100
		}
		b := Batch{Flours: []Flour{{Name: "white", Grams: flour}}, WaterG: share("water", 55, 100), SaltG: share("salt", 0, 3),
			Levain: Levain{Grams: share("levain", 2, 60), HydrationPercent: rapid.Float64Range(50, 125).Draw(t, "levain hydration")}, Loaves: 2}
		n, err := b.Numbers(), b.Validate()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "total", flour+b.WaterG+b.SaltG+b.Levain.Grams, n.TotalG)

		other, err := b.WithInoculation(n.InoculationPercent / 2)
		if err != nil {
			t.Fatal(err)
		}
		o, err := other.Numbers(), other.Validate()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "kept total", n.TotalG, o.TotalG)
		near(t, "kept hydration", n.HydrationPercent, o.HydrationPercent)
		near(t, "halved inoculation", n.InoculationPercent/2, o.InoculationPercent)
	})
}

func near(t *rapid.T, what string, want, got float64) {
	if math.Abs(want-got) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Fatalf("%s: want %g, got %g", what, want, got)
	}
}

func celsius(f float64) float64 { return (f - 32) * 5 / 9 }

// The trade's sum, n times the target less what is known and the friction, counts
// flour, room and water alike; the balance of heat weighs them. Where both speak of
// the same case they stay within 4.5 C of each other. Sources of the rows, Fahrenheit:
// San Francisco Baking Institute notes 2009 as quoted in a baker's journal; Pizza
// Today, June 2018; The Perfect Loaf, common calculators; Cook's Illustrated, water
// temperature; public forum example.
func TestMixingWaterNearTheTradesSum(t *testing.T) {
	for _, row := range []struct{ target, flour, room, friction, water float64 }{
		{75, 65, 65, 8, 87}, {80, 65, 75, 35, 65}, {78, 72, 75, 0, 90}, {75, 71, 71, 20, 67}, {78, 60, 70, 16, 88},
	} {
		b := Batch{Flours: []Flour{{Name: "wheat", Grams: 1000}}, WaterG: 650, SaltG: 20}
		by, _ := friction("hand")
		// what the row's own friction warms beyond a hand's
		more := row.friction*5/9/3 - by
		w, err := b.MixingWater(Mixing{TargetC: celsius(row.target), FlourC: celsius(row.flour), RoomC: celsius(row.room), LearntC: more})
		require.NoError(t, err)
		t.Logf("trade %.1f C, balance %.1f C", celsius(row.water), w.TempC)
		assert.InDelta(t, celsius(row.water), w.TempC, 4.5)
	}
}

// The heats add up: what is mixed comes out as wanted.
func TestMixingWaterKeepsTheHeat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := DefaultBatch()
		m := Mixing{TargetC: rapid.Float64Range(18, 28).Draw(t, "target"), FlourC: rapid.Float64Range(10, 30).Draw(t, "flour"), RoomC: rapid.Float64Range(12, 30).Draw(t, "room")}
		w, err := b.MixingWater(m)
		if err != nil {
			return
		}
		if w.TempC > 40 {
			t.Fatalf("%g C", w.TempC)
		}
		flour, water, bowl := 900*1.8, 640*4.19, 800.0
		levain := 100*1.8 + 100*4.19
		mixed := (flour*m.FlourC+water*w.TempC+(bowl+levain)*m.RoomC)/(flour+water+bowl+levain) + 5.0*5/9/3
		if d := mixed - m.TargetC; d > 1e-6 || d < -1e-6 {
			t.Fatalf("comes out %g C off", d)
		}
		if w.IceG < 0 || w.IceG > 640 {
			t.Fatalf("%g g of ice", w.IceG)
		}
	})
}

func TestMixingWaterSaysWhatCannotBe(t *testing.T) {
	b := DefaultBatch()
	_, err := b.MixingWater(Mixing{TargetC: 27, FlourC: 8, RoomC: 12})
	assert.Contains(t, inWords(err), "above 40 °C it harms the yeast")
	little := b
	little.WaterG = 250
	_, err = little.MixingWater(Mixing{TargetC: 10, FlourC: 50, RoomC: 50})
	assert.Contains(t, inWords(err), "more than ice can")
	w, err := b.MixingWater(Mixing{TargetC: 22, FlourC: 30, RoomC: 30, By: "stand mixer"})
	require.NoError(t, err)
	assert.Greater(t, w.IceG, 0.0)
	_, err = b.MixingWater(Mixing{TargetC: 24, FlourC: 20, RoomC: 20, By: "drill"})
	assert.Contains(t, inWords(err), "must be hand, stand mixer or food processor")
}

// What the probe saw of past doughs is taken off the water of the next.
func TestTheWaterLearnsFromTheProbe(t *testing.T) {
	assert.Zero(t, LearnWarmer(nil))
	warmer := LearnWarmer([]float64{1, 1, 1})
	assert.InDelta(t, 0.75, warmer, 1e-9)
	b := DefaultBatch()
	m := Mixing{TargetC: 24, FlourC: 20, RoomC: 20}
	before, err := b.MixingWater(m)
	require.NoError(t, err)
	m.LearntC = warmer
	after, err := b.MixingWater(m)
	require.NoError(t, err)
	assert.Less(t, after.TempC, before.TempC-warmer, "the flour brings none of it")
	p := NewProcess(DefaultBatch(), start(), 24)
	assert.Zero(t, p.wantedDoughC())
	p.Edit(MixID, func(d *StepDef) { d.Values = Values{"dough_c": 25.0} })
	assert.InDelta(t, 25, p.wantedDoughC(), 1e-9)
}
