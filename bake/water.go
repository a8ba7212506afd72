package bake

import (
	"fmt"
	"math"
)

// WaterWish is what is known when the mixing water is drawn. Temperatures in
// Celsius. FrictionC is the warming by mixing, a difference: a friction given
// in Fahrenheit times 5/9. LevainC is NaN when there is no levain.
type WaterWish struct {
	TargetC   float64 // wanted dough temperature
	FlourC    float64
	RoomC     float64
	LevainC   float64
	FrictionC float64
	WaterG    float64 // mixing water in all, ice included
	ColdTapC  float64 // the coldest the tap gives; 0 means 12 C, from memory
}

// Water is the answer: the water's temperature and, when the tap cannot give
// it, how much of the water to weigh as ice.
type Water struct {
	TempC float64
	IceG  float64 // 0 when the tap is enough
	Note  string  // what to do, in words; empty for plain tap water
}

// latentC is the heat that melting ice takes, as degrees of water: 333.6 J/g
// over 4.186 J/(g K). From memory.
const latentC = 79.7

// hottestWaterC is the warmest mixing water: yeast enzymes stop at 50 to 60 C.
// Source: J. Hamelman, Bread, chart as quoted by Mother Earth News, 2007.
const hottestWaterC = 50

// MixingWater gives the water temperature by the trade's sum: n times the
// target minus the known temperatures and the friction, n = 3, or 4 with a
// levain. It returns an error when no water and no ice can reach the target.
func MixingWater(w WaterWish) (Water, error) {
	if err := w.check(); err != nil {
		return Water{}, err
	}
	n, known := 3.0, w.FlourC+w.RoomC
	if !math.IsNaN(w.LevainC) {
		n, known = 4, known+w.LevainC
	}
	out := Water{TempC: n*w.TargetC - known - w.FrictionC}
	if out.TempC > hottestWaterC {
		return out, fmt.Errorf("the water would have to be %.0f C; above %d C it harms the yeast: warm the flour or the bowl, or accept a cooler dough", out.TempC, hottestWaterC)
	}
	return w.withIce(out)
}

// withIce adds ice when the tap is too warm. Heat balance: the ice takes up
// melting heat and warms to the wanted temperature, the tap water gives it.
func (w WaterWish) withIce(out Water) (Water, error) {
	tap := w.ColdTapC
	if tap == 0 {
		tap = 12
	}
	if out.TempC >= tap {
		return out, nil
	}
	share := (tap - out.TempC) / (tap + latentC)
	if share > 0.9 {
		return out, fmt.Errorf("the water would have to bring the cold of %.0f C, more than ice can: chill the flour or the bowl, or accept a warmer dough", out.TempC)
	}
	out.IceG = share * w.WaterG
	out.Note = fmt.Sprintf("Cannot be reached with tap water at %.0f C: weigh %.0f g of the %.0f g water as ice and mix until it has melted.",
		tap, out.IceG, w.WaterG)
	return out, nil
}

// check refuses temperatures that cannot be meant.
func (w WaterWish) check() error {
	for _, c := range []struct {
		field     string
		v         float64
		low, high float64
	}{
		{"target_c", w.TargetC, 10, 40}, {"flour_c", w.FlourC, -25, 50}, {"room_c", w.RoomC, -5, 50},
		{"friction_c", w.FrictionC, 0, 25}, {"water_g", w.WaterG, 0, 1e6}, {"cold_tap_c", w.ColdTapC, 0, 35},
	} {
		if !(c.v >= c.low && c.v <= c.high) {
			return FieldError{c.field, fmt.Sprintf("must be %g to %g, found %g", c.low, c.high, c.v)}
		}
	}
	if w.LevainC < 0 || w.LevainC > 50 {
		return FieldError{"levain_c", fmt.Sprintf("must be 0 to 50, found %g", w.LevainC)}
	}
	return nil
}

// Friction gives the usual warming by mixing, as a difference in Celsius:
// "hand" 5 F, "stand mixer" 20 F, "food processor" 25 F.
// Source: Cook's Illustrated, water temperature.
func Friction(way string) (float64, bool) {
	f, ok := map[string]float64{"hand": 5, "stand mixer": 20, "food processor": 25}[way]
	return f * 5 / 9, ok
}
