package bake

import "math"

// Mixing is what is known when the mixing water is drawn. Temperatures in Celsius.
type Mixing struct {
	TargetC float64 // wanted dough temperature
	FlourC  float64
	RoomC   float64 // of bowl and levain
	By      string  // a method of Friction; empty means by hand
	LearntC float64 // how much warmer than wanted past doughs came out, by the probe
}

// Water is the answer: the water's temperature and, when the tap cannot give it,
// how much of the water to weigh as ice.
type Water struct {
	TempC float64
	IceG  float64 // 0 when the tap is enough
}

// Heat of what goes into the bowl, J/(g K), and of the bowl, J/K: 1 kg of glass.
// From memory.
const (
	flourHeat, waterHeat, bowlHeat = 1.8, 4.19, 800.0
	latentJ                        = 333.6 // of melting ice, J/g
	hottestWaterC                  = 40.0  // common practice; yeast enzymes stop at 50 to 60 C
	tapC                           = 12.0  // the coldest a tap gives
)

// friction returns how much a method of mixing warms the dough, Celsius: by hand 5 F,
// stand mixer 20 F, food processor 25 F (Cook's Illustrated, water temperature), of
// which the trade's sum over flour, room and water lets a third reach the dough.
func friction(by string) (float64, bool) {
	f, ok := map[string]float64{"hand": 5, "stand mixer": 20, "food processor": 25}[by]
	return f * 5 / 9 / 3, ok
}

// MixingWater returns the water that brings the batch to the wanted temperature, by
// the balance of heat of all that goes into the bowl. It returns an error when the
// water would have to be hotter than 40 C or colder than ice makes it.
func (b Batch) MixingWater(m Mixing) (Water, error) {
	if m.By == "" {
		m.By = "hand"
	}
	friction, known := friction(m.By)
	if !known {
		return Water{}, wrong("mixing", "mixing", Values{"found": m.By})
	}
	if !(m.TargetC >= 10 && m.TargetC <= 40) || !(m.FlourC >= -25 && m.FlourC <= 50) || !(m.RoomC >= -5 && m.RoomC <= 50) {
		return Water{}, wrong("dough", "temperatures", Values{"dough_c": m.TargetC, "flour_c": m.FlourC, "room_c": m.RoomC})
	}
	if !(b.WaterG > 0) {
		return Water{}, wrong("water_g", "no_water", nil)
	}
	flour, _ := b.addedFlour()
	levain := b.Levain.flourG()*flourHeat + b.Levain.waterG()*waterHeat
	target := m.TargetC - friction - m.LearntC
	need := flour*flourHeat*(target-m.FlourC) + (levain+bowlHeat)*(target-m.RoomC)
	out := Water{TempC: target + need/((b.WaterG+b.sum(liquid))*waterHeat)} // milk goes in as warm as the water
	if out.TempC > hottestWaterC {
		return out, wrong("dough", "hot", Values{"water_c": out.TempC, "most_c": hottestWaterC})
	}
	return b.withIce(out)
}

// withIce adds ice when the tap is too warm: it takes up the heat of melting and
// warms to the wanted temperature, the tap water gives it.
func (b Batch) withIce(out Water) (Water, error) {
	if out.TempC >= tapC {
		return out, nil
	}
	share := (tapC - out.TempC) / (tapC + latentJ/waterHeat)
	if share > 0.9 {
		return out, wrong("dough", "cold", Values{"water_c": out.TempC})
	}
	out.IceG = math.Round(share * (b.WaterG + b.sum(liquid)))
	if out.IceG > 0.9*b.WaterG {
		return out, wrong("dough", "ice", nil)
	}
	return out, nil
}

// wantedDoughC returns the temperature to which the dough of a planned bake is mixed,
// Celsius; 0 when none was planned.
func (p *Process) wantedDoughC() float64 {
	d, _ := p.def(MixID)
	c, _ := d.Values["dough_c"].(float64)
	return c
}

// LearnWarmer returns how much warmer than wanted the next dough will come out, Celsius,
// from how much past ones did: few count for less.
func LearnWarmer(past []float64) float64 {
	sum := 0.0
	for _, c := range past {
		sum += c
	}
	return sum / float64(len(past)+1)
}
