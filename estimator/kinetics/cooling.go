package kinetics

import "math"

// FridgeC is the air of a domestic refrigerator the cooling curve ends at.
const FridgeC = 4.0

// Cooling is dough moved into a refrigerator: slow while the basket, its cloth
// and the air give way, then faster.
//
// Source: a baker's measured curve, 1.5 kg of dough in two baskets, end
// temperature 4 C (breadbakingathome.com forum): 24, 20, 15, 10, 5 C after 0, 1,
// 2.75, 4, 7 h. Stage by stage it cools with 0.22, 0.21, 0.49 and 0.60 per hour,
// so no single constant fits. We use two: 0.22 per hour while the dough is more
// than EarlyShare of the way from the end, 0.54 after.
type Cooling struct {
	EndC                   float64 // where it ends, Celsius
	EarlyPerHour, PerHour  float64 // relaxation before and after the bend
	EarlyShare             float64 // the bend: this share of the first difference is left
	ReferenceDifferenceInC float64 // first difference the share is counted from
}

// Fridge returns the cooling curve of the published points.
func Fridge() Cooling {
	return Cooling{EndC: FridgeC, EarlyPerHour: 0.215, PerHour: 0.54, EarlyShare: 0.55, ReferenceDifferenceInC: 20}
}

// Next returns the dough temperature after some hours from a temperature now.
// Dough colder than the end warms with the late constant.
func (k Cooling) Next(c, hours float64) float64 {
	diff := c - k.EndC
	bend := k.EarlyShare * k.ReferenceDifferenceInC
	if diff > bend {
		untilBend := math.Log(diff/bend) / k.EarlyPerHour
		if hours <= untilBend {
			return k.EndC + diff*math.Exp(-k.EarlyPerHour*hours)
		}
		hours -= untilBend
		diff = bend
	}
	return k.EndC + diff*math.Exp(-k.PerHour*hours)
}
