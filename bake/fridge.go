package bake

import (
	"math"

	"tidemark/estimator/kinetics"
)

// How dough cools in a refrigerator, and how much rise that still brings: the published
// cooling curve of 1.5 kg of dough in two baskets (breadbakingathome.com forum), as
// kinetics.Fridge fits it, carried over to other masses by the law of a sphere that
// loses its heat through its surface. It does not know the household's refrigerator: a
// full or weak one cools slower.

// referenceKg is the mass of one basket of the published curve: 1.5 kg in two.
const referenceKg = 0.75

// massExponent is how the cooling time grows with the mass of a piece. A sphere
// that loses heat through its surface alone has 1/3; conduction inside alone
// has 2/3. With 7 W/(m2 K) and a conductivity of 0.45 W/(m K) (from memory) a
// loaf is near the first: 0.37, checked against a finite-difference
// model in the tests.
const massExponent = 0.37

// Fridge is a refrigerator with one piece of dough in it.
type Fridge struct {
	AirC    float64 // where the dough ends, Celsius
	PieceKg float64 // mass of one piece: loaf in its basket, or the whole tub
}

// cooling is the published curve for this piece.
func (f Fridge) cooling() kinetics.Cooling {
	slow := math.Pow(f.PieceKg/referenceKg, massExponent)
	k := kinetics.Fridge()
	k.EndC = f.AirC
	k.EarlyPerHour /= slow
	k.PerHour /= slow
	return k
}

// until gives the hours until the dough is down to toC, which is warmer than the
// refrigerator: slowly to the bend of the curve, then quicker.
func (f Fridge) until(fromC, toC float64) float64 {
	k := f.cooling()
	bend, from, to := k.EarlyShare*k.ReferenceDifferenceInC, fromC-k.EndC, toC-k.EndC
	early := math.Log(max(from, bend)/max(to, bend)) / k.EarlyPerHour
	late := math.Log(min(from, bend)/min(to, bend)) / k.PerHour
	return max(0, early+late)
}

// stepHours is the step of the sums below.
const stepHours = 1.0 / 6

// Carry gives the equivalent hours the dough still works in its first hours in
// the cold, under a speed relative to 24 C.
func (f Fridge) Carry(fromC, hours float64, speed func(c float64) float64) float64 {
	k := f.cooling()
	sum := 0.0
	for t := 0.0; t < hours; t += stepHours {
		d := math.Min(stepHours, hours-t)
		sum += d * speed(k.Next(fromC, t+d/2))
	}
	return sum
}

// FollowHours is the time constant with which a piece of dough of so many kilograms nears
// the room: 2 h for 1 kg (from memory).
func FollowHours(massKg float64) float64 { return 2 * math.Pow(massKg, massExponent) }
