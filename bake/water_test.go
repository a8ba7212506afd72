package bake

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

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
	learnt, err := b.MixingWater(Mixing{TargetC: 24, FlourC: 20, RoomC: 20, LearntC: 1})
	require.NoError(t, err)
	plain, err := b.MixingWater(Mixing{TargetC: 24, FlourC: 20, RoomC: 20})
	require.NoError(t, err)
	assert.Less(t, learnt.TempC, plain.TempC-1, "doughs that came out warm get cooler water")
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
