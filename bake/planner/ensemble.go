package planner

import (
	"math"
	"sort"

	"tidemark/bake"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

// ensembleSize is how many possible doughs stand for the doubt. Chances are good
// to a few in a hundred.
const ensembleSize = 128

// dough is one possible dough in its possible place.
type dough struct {
	ceiling, mu, lag float64 // percent, percent per equivalent hour, share of ceiling/mu
	s0               float64 // the unit curve at the start
	resp             float64 // weight of the S. cerevisiae response
	offC             float64 // how far the place is off its expected temperature
	slow             float64 // final proof: times longer than usual
	cool             float64 // cooling: standard deviations off the middle
}

// shape is midway between the two classic curves of growth.
func shape() kinetics.Sigmoid { return kinetics.Richards(0.5) }

// ensemble is the doughs with the table of responses they share.
type ensemble struct {
	doughs []dough
	middle dough
	table  *kinetics.Responses
}

// newEnsemble draws the doughs from a prior and the logarithm of the rate that is usual
// for them.
func newEnsemble(p forecast.Prior, usualRate float64) ensemble {
	e := ensemble{doughs: make([]dough, ensembleSize), table: kinetics.NewResponses()}
	of := func(z []float64) dough {
		d := dough{
			ceiling: math.Exp(p.LogCeiling.Mean + p.LogCeiling.SD*z[0]),
			mu:      math.Exp(p.LogRate.Mean + p.LogRate.SD*z[1]),
			lag:     p.Lag.Mean + p.Lag.SD*z[2],
			resp:    1 / (1 + math.Exp(-p.Response.Mean-p.Response.SD*z[3])),
			offC:    placeSD * z[4],
			slow:    math.Exp(usualRate - p.LogRate.Mean - 0.5*p.LogRate.SD*z[1]),
			cool:    z[5],
		}
		d.s0 = shape().Unit(-d.lag)
		return d
	}
	for i, z := range forecast.EvenNormals(ensembleSize, 6) {
		e.doughs[i] = of(z)
	}
	e.middle = of(make([]float64, 6))
	return e
}

// rise is the rise in percent after so many equivalent hours.
func (d dough) rise(equiv float64) float64 {
	y := shape().Unit(d.mu/d.ceiling*equiv - d.lag)
	return d.ceiling * (y - d.s0)
}

// need is the equivalent hours to a rise; plus infinity when it is never
// reached.
func (d dough) need(rise float64) float64 {
	return math.Max(0, d.ceiling/d.mu*(d.lag+shape().UnitInverse(rise/d.ceiling+d.s0)))
}

// speed is the dough's speed at a temperature, relative to 24 C.
func (e ensemble) speed(d dough, tempC float64) float64 {
	g, s := e.table.At(tempC)
	return g + d.resp*(s-g)
}

// carry is the equivalent hours that the refrigerator still allows a dough of so many
// kilograms which goes in at a temperature.
func (e ensemble) carry(d dough, fromC, kg float64) float64 {
	return bake.Fridge{AirC: kinetics.FridgeC, PieceKg: math.Max(0.05, kg)}.Carry(fromC, bake.CarryHours, func(c float64) float64 { return e.speed(d, c) })
}

// pathStep and pathHours bound the table of a path.
const (
	pathStep  = 0.25
	pathHours = 60.0

	mostWarming = 12.0 // of a piece that was shaped cold
)

// path is one dough's equivalent hours along the clock in a place.
type path struct {
	d     dough
	from  float64 // temperature after mixing
	place float64
	tau   float64 // hours to follow the place
	end   float64 // speed once it is as warm as the place
	sums  []float64
}

// newPath follows a dough of massKg from fromC in a place of placeC for some hours.
func (e ensemble) newPath(d dough, fromC, placeC, massKg, hours float64) path {
	p := path{d: d, from: fromC, place: placeC + d.offC, tau: bake.FollowHours(massKg)}
	p.end = e.speed(d, p.place)
	p.sums = make([]float64, int(hours/pathStep)+1)
	gap, fade := fromC-p.place, math.Exp(-pathStep/p.tau)
	gap *= math.Sqrt(fade) // in the middle of the step
	for i := 1; i < len(p.sums); i++ {
		v := p.end
		if math.Abs(gap) > 0.05 {
			v = e.speed(d, p.place+gap)
		}
		p.sums[i] = p.sums[i-1] + pathStep*v
		gap *= fade
	}
	return p
}

// temp is the dough's temperature after some hours.
func (p path) temp(hours float64) float64 {
	return p.place + (p.from-p.place)*math.Exp(-hours/p.tau)
}

// equiv is the equivalent hours after some hours.
func (p path) equiv(hours float64) float64 {
	x := math.Min(math.Max(hours/pathStep, 0), float64(len(p.sums)-1)-1e-9)
	i := int(x)
	return p.sums[i] + (x-float64(i))*(p.sums[i+1]-p.sums[i])
}

// hours is the clock time for so many equivalent hours; plus infinity when it
// is more than the table holds.
func (p path) hours(equiv float64) float64 {
	last := len(p.sums) - 1
	if !(equiv <= p.sums[last]) {
		return math.Inf(1)
	}
	i := sort.SearchFloat64s(p.sums, equiv)
	if i == 0 {
		return 0
	}
	return pathStep * (float64(i-1) + (equiv-p.sums[i-1])/(p.sums[i]-p.sums[i-1]))
}

// quantile of a list, 0..1, which stays as it is.
func quantile(list []float64, q float64) float64 {
	l := append([]float64(nil), list...)
	sort.Float64s(l)
	return l[min(len(l)-1, int(q*float64(len(l))))]
}

func median(list []float64) float64 { return quantile(list, 0.5) }
