package bake_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

func celsius(f float64) float64 { return (f - 32) * 5 / 9 }

// Published worked examples of the water temperature, in Fahrenheit.
func TestMixingWaterPublished(t *testing.T) {
	none := math.NaN()
	for _, c := range []struct {
		source                                        string
		target, flour, room, levain, friction, waterF float64
	}{
		{"San Francisco Baking Institute notes 2009, as quoted", 75, 65, 65, none, 8, 87},
		{"Pizza Today, June 2018", 80, 65, 75, none, 35, 65},
		{"The Perfect Loaf, common calculators", 78, 72, 75, 75, 0, 90},
		{"Cook's Illustrated, water temperature", 75, 71, 71, 71, 20, 67},
		{"public forum example", 78, 60, 70, none, 16, 88},
	} {
		t.Run(c.source, func(t *testing.T) {
			w, err := bake.MixingWater(bake.WaterWish{
				TargetC: celsius(c.target), FlourC: celsius(c.flour), RoomC: celsius(c.room),
				LevainC: celsius(c.levain), FrictionC: c.friction * 5 / 9, WaterG: 1000,
			})
			require.NoError(t, err)
			assert.InDelta(t, celsius(c.waterF), w.TempC, 1e-9)
			assert.Zero(t, w.IceG)
		})
	}
}

func TestMixingWaterIce(t *testing.T) {
	wish := bake.WaterWish{TargetC: 24, FlourC: 29, RoomC: 29, LevainC: 28, FrictionC: 5, WaterG: 600, ColdTapC: 20}
	w, err := bake.MixingWater(wish)
	require.NoError(t, err)
	assert.InDelta(t, 5, w.TempC, 1e-9)
	// Heat balance: what the ice takes up melting (79.7 degrees of water, from
	// memory) and warming to 5 C is what the tap water gives up.
	ice := w.IceG
	assert.InDelta(t, ice*(79.7+5), (600-ice)*(20-5), 1e-6)
	assert.Contains(t, w.Note, "Cannot be reached with tap water at 20 C: weigh 90 g of the 600 g water as ice")

	wish.FlourC, wish.RoomC = 50, 50
	_, err = bake.MixingWater(wish)
	assert.NoError(t, err, "below freezing is still within what ice can do")
	wish.FrictionC, wish.TargetC = 25, 14
	_, err = bake.MixingWater(wish)
	assert.ErrorContains(t, err, "more than ice can")
}

func TestMixingWaterRefuses(t *testing.T) {
	hot := bake.WaterWish{TargetC: 28, FlourC: 10, RoomC: 15, LevainC: math.NaN(), WaterG: 600}
	_, err := bake.MixingWater(hot)
	assert.ErrorContains(t, err, "the water would have to be 59 C; above 50 C it harms the yeast")
	_, err = bake.MixingWater(bake.WaterWish{TargetC: 75, FlourC: 20, RoomC: 20, LevainC: math.NaN()})
	assert.EqualError(t, err, "target_c: must be 10 to 40, found 75")
	_, err = bake.MixingWater(bake.WaterWish{TargetC: 24, FlourC: math.NaN(), RoomC: 20})
	assert.EqualError(t, err, "flour_c: must be -25 to 50, found NaN")
}

// Friction by the way of mixing. Source: Cook's Illustrated: 5, 20 and 25 F.
func TestFriction(t *testing.T) {
	for way, f := range map[string]float64{"hand": 5, "stand mixer": 20, "food processor": 25} {
		got, ok := bake.Friction(way)
		assert.True(t, ok)
		assert.InDelta(t, f/1.8, got, 1e-9)
	}
	_, ok := bake.Friction("spade")
	assert.False(t, ok)
}

// The line 240 - 7.83 T is a reader's fit through the same published table
// (public forum, March 2024); it stays within 4 points of it.
func TestTargetForRetard(t *testing.T) {
	for _, c := range []struct{ doughC, want float64 }{{18.33, 100}, {21.11, 75}, {23.89, 50}, {26.67, 30}, {22.5, 62.5}} {
		got, known := bake.TargetForRetard(c.doughC)
		assert.True(t, known)
		assert.InDelta(t, c.want, got, 0.5, "the table's temperatures are rounded to 0.1 C")
		assert.InDelta(t, 240-7.83*c.doughC, got, 4)
	}
	for _, c := range []float64{10, 30, math.NaN()} {
		_, known := bake.TargetForRetard(c)
		assert.False(t, known, "%g C", c)
	}
}
