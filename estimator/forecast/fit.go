package forecast

import (
	"math"
	"time"

	"tidemark/estimator/kinetics"
)

// Point is one accepted reading of the level. Missing temperatures are NaN.
type Point struct {
	At      time.Duration // since the start of the rise
	VolumeL float64       // litres, above 0
	SDL     float64       // its standard deviation, litres; 0 when not known
	DoughC  float64       // Celsius
	// Hands reports that something other than the dough was seen since the point
	// before it: a hand, a lid, an empty place. A sensor that was silent saw none.
	Hands bool
}

// leastSD is the least standard deviation a reading may claim, as a share.
const leastSD = 1e-4

// Fit is the state of one rise. Make it with [New], or with [Workshop.New] when
// there are several. Its memory is constant; it must not be used by two
// goroutines at once, but fits of one workshop may.
type Fit struct {
	bins    bins
	clock   clock
	stopped float64 // readings after this hour are left out; +Inf when running
	ended   float64 // the peak, when the dough has fallen since or was stopped; else +Inf
	moved   float64 // last move to or from the cold, hours
	sunk    float64 // how much too high the dough stood at first, share of the start volume

	scale  float64 // litres that stand for 1 in the fit
	size   float64 // of the wander
	models []model

	now    float64
	then   clock // as of the last Refit
	fitted bool
	why    string

	shop   *Workshop
	*bench // nil before the first Refit and at rest

	kept           []keepsake // the samples while at rest
	restL, restSDL float64    // the start volume likewise, litres
}

// New starts a rise in a workshop of its own.
func New(p Prior) *Fit { return NewWorkshop().New(p) }

// Add takes an accepted reading. One that is not finite, not above 0, or older
// than the last is ignored. No allocation.
func (f *Fit) Add(p Point) {
	at := p.At.Hours()
	if !finite(p.VolumeL) || p.VolumeL <= 0 || at < f.clock.at || at < 0 {
		return
	}
	f.clock.advance(at, p.DoughC, math.NaN())
	if at > f.stopped {
		return
	}
	sd := p.SDL
	if !finite(sd) || sd <= 0 {
		sd = 0.01 * p.VolumeL
	}
	sd = max(sd, leastSD*p.VolumeL)
	f.bins.add(at, p.VolumeL, sd, f.clock.ganzle, f.clock.ctmi, p.Hands)
}

// Temper takes temperatures in Celsius, also when no level was seen. NaN is not
// known. Times before the last are ignored. No allocation.
func (f *Fit) Temper(at time.Duration, doughC, airC float64) {
	if finite(doughC) || finite(airC) {
		f.clock.advance(at.Hours(), notInf(doughC), notInf(airC))
	}
}

func notInf(x float64) float64 {
	if math.IsInf(x, 0) {
		return math.NaN()
	}
	return x
}

// Disturb tells that the dough was folded or knocked: the level may have jumped,
// up or down, by lossPrior (standard deviation, share of the start volume; 0
// means 0.15), and lies uneven for a while. The rise is not started anew.
func (f *Fit) Disturb(at time.Duration, lossPrior float64) {
	if !finite(lossPrior) || lossPrior <= 0 {
		lossPrior = 0.15
	}
	f.bins.disturb(at.Hours(), lossPrior*lossPrior)
}

// Spread tells that the dough sank in its first minutes: filled in as a ball or
// loosely it stood too high, by about this share of the start volume (0 to 0.5).
// The start is then where it settles, not where it first stood.
func (f *Fit) Spread(share float64) {
	if share >= 0 && share <= 0.5 {
		f.sunk = share
	}
}

// Cold tells that the vessel went into the refrigerator (in) or came back. Gas
// shrinks and dissolves on cooling, so the level may drift from the curve.
func (f *Fit) Cold(at time.Duration, in bool) {
	f.clock.advance(at.Hours(), math.NaN(), math.NaN())
	f.clock.move(in)
	f.moved = at.Hours()
	f.bins.disturb(at.Hours(), 0.03*0.03)
}

// Stop leaves readings after this time out of the fit, and nothing is reached any
// more: a collapse is no growth. A clear fall is also found without being told,
// and taken back when the level comes up again.
func (f *Fit) Stop(at time.Duration) { f.stopped = at.Hours() }

// EquivalentHours is the growth time so far at 24 C, mean of both responses.
func (f *Fit) EquivalentHours() float64 { return (f.clock.ganzle + f.clock.ctmi) / 2 }

// shapes are the curves averaged over. A wrong shape costs more than noise.
func shapes() []kinetics.Shape {
	return []kinetics.Shape{
		kinetics.Gompertz(), kinetics.Richards(0.5), kinetics.Logistic(), kinetics.Richards(2), kinetics.Richards(4),
		kinetics.Ramp{Wake: 0.03, Top: kinetics.Leak},
		kinetics.Ramp{Wake: 0.03, Top: kinetics.Bent},
		kinetics.Ramp{Wake: 0.03, Top: kinetics.Sharp},
		kinetics.Ramp{Wake: 0.12, Top: kinetics.Leak},
		kinetics.Ramp{Wake: 0.12, Top: kinetics.Bent},
		kinetics.Ramp{Wake: 0.12, Top: kinetics.Sharp},
	}
}
