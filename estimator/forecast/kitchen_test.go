package forecast

import (
	"math"
	"math/rand/v2"

	"tidemark/estimator/kinetics"
)

// A kitchen of our own invention: rises made by rate equations that are not the
// forecast's curves, in four vessels, seen by three sensors. Hours, percent of
// the start volume, Celsius, millimetres, litres.

const simStep = 30.0 / 3600

// process is a rate equation of gas. psi are three multipliers of what makes a
// rise big, fast and late: 1 is the rise as drawn; the bound differentiates them.
type process interface {
	start(psi [3]float64)
	step(dt, speed float64)
	gas() float64
	lose(share float64)
	name() string
}

// monod: yeast multiplies on sugar after a lag of Baranyi's kind (Baranyi and
// Roberts 1994, from memory); gas leaks the more the dough is blown up.
type monod struct {
	growth, rate, half, potential, ready, leak float64
	x, s, q, g                                 float64
	psi                                        [3]float64
}

func (p *monod) name() string { return "sugar and yeast" }
func (p *monod) start(psi [3]float64) {
	p.psi, p.x, p.s, p.g = psi, 1, 1, 0
	p.q = math.Pow(p.ready, psi[2])
}
func (p *monod) step(dt, speed float64) {
	k := speed * p.psi[1] * dt
	alpha := p.q / (1 + p.q)
	sat := p.s / (p.half + p.s) * (1 + p.half)
	made := p.rate * p.x * alpha * sat * k
	p.q += 1.2 * p.q * k
	p.x += p.growth * alpha * sat * p.x * k
	p.s = max(0, p.s-made/(p.potential*p.psi[0]))
	p.g += made - p.leak*p.g*max(0, p.g-60)/100*dt
}
func (p *monod) gas() float64   { return p.g }
func (p *monod) lose(x float64) { p.g *= 1 - x }

// steady: a fixed crowd of yeast wakes, works at one speed till the sugar ends;
// gas leaks in proportion.
type steady struct {
	rate, potential, wake, leak float64
	s, a, g                     float64
	psi                         [3]float64
}

func (p *steady) name() string { return "fixed yeast with a leak" }
func (p *steady) start(psi [3]float64) {
	p.psi, p.s, p.a, p.g = psi, 1, 0, 0
}
func (p *steady) step(dt, speed float64) {
	k := speed * dt
	p.a += (1 - p.a) * k / (p.wake * p.psi[2])
	made := p.rate * p.psi[1] * p.a * p.a * p.s / (0.1 + p.s) * 1.1 * k
	p.s = max(0, p.s-made/(p.potential*p.psi[0]))
	p.g += made - p.leak*p.g*dt
}
func (p *steady) gas() float64   { return p.g }
func (p *steady) lose(x float64) { p.g *= 1 - x }

// baranyi: gas feeds on itself up to a ceiling, after an adjustment.
type baranyi struct {
	mu, seed, top, bend, ready float64
	g, q                       float64
	psi                        [3]float64
}

func (p *baranyi) name() string { return "self-feeding with adjustment" }
func (p *baranyi) start(psi [3]float64) {
	p.psi, p.g = psi, p.seed
	p.q = math.Pow(p.ready, psi[2])
}
func (p *baranyi) step(dt, speed float64) {
	k := speed * p.psi[1] * dt
	p.q += p.mu * p.q * k
	p.g += p.mu * p.q / (1 + p.q) * p.g * (1 - math.Pow(p.g/(p.top*p.psi[0]), p.bend)) * k
}
func (p *baranyi) gas() float64   { return p.g - p.seed }
func (p *baranyi) lose(x float64) { p.g -= x * (p.g - p.seed) }

// gompertz: the forecast's own kind, for comparison with the bound.
type gompertz struct {
	top, mu, lag float64
	theta, lost  float64
	psi          [3]float64
}

func (p *gompertz) name() string { return "Gompertz" }
func (p *gompertz) start(psi [3]float64) {
	p.psi, p.theta, p.lost = psi, 0, 0
}
func (p *gompertz) step(dt, speed float64) { p.theta += speed * dt }
func (p *gompertz) gas() float64 {
	s := kinetics.Gompertz()
	a, m, l := p.top*p.psi[0], p.mu*p.psi[1], p.lag*p.psi[2]
	return s.Rise(a, m, l, p.theta) - s.Rise(a, m, l, 0) - p.lost
}
func (p *gompertz) lose(x float64) { p.lost += x * p.gas() }

func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
func logBetween(r *rand.Rand, lo, hi float64) float64 {
	return math.Exp(between(r, math.Log(lo), math.Log(hi)))
}

func newProcess(r *rand.Rand, kind int) process {
	switch kind {
	case 0:
		return &monod{
			growth: between(r, 0, 0.35), rate: logBetween(r, 8, 40), half: between(r, 0.05, 0.6),
			potential: between(r, 140, 350), ready: logBetween(r, 0.05, 2), leak: between(r, 0, 0.12),
		}
	case 1:
		return &steady{rate: logBetween(r, 12, 50), potential: between(r, 130, 350), wake: between(r, 0.2, 1.5), leak: between(r, 0, 0.08)}
	case 2:
		return &baranyi{
			mu: logBetween(r, 0.4, 1.2), seed: logBetween(r, 2, 15), top: between(r, 115, 260),
			bend: between(r, 0.4, 2.5), ready: logBetween(r, 0.05, 3),
		}
	}
	return &gompertz{top: between(r, 115, 260), mu: logBetween(r, 15, 60), lag: between(r, 0, 2.5)}
}

// speedOf draws how this dough's yeast answers to temperature.
func speedOf(r *rand.Rand) func(c float64) float64 {
	switch r.IntN(4) {
	case 0:
		m := kinetics.Cerevisiae()
		return func(c float64) float64 { return m.Rate(c) / m.Rate(24) }
	case 1:
		return func(c float64) float64 { return kinetics.Ganzle(c) / kinetics.Ganzle(24) }
	case 2: // square root model, Ratkowsky and others 1982, from memory
		low := between(r, 0, 5)
		return func(c float64) float64 { return math.Pow(max(0, c-low)/(24-low), 2) }
	}
	q := between(r, 1.8, 3)
	return func(c float64) float64 { return math.Pow(q, (c-24)/10) }
}

// vessel: volume above the floor as a function of height, in litres of mm.
type vessel struct {
	name   string
	volume func(h float64) float64
	base   float64 // height of the dough at the start
}

func newVessel(r *rand.Rand, kind int) vessel {
	base := between(r, 45, 80)
	switch kind {
	case 0:
		a := math.Pi * math.Pow(between(r, 40, 60), 2)
		return vessel{"jar", func(h float64) float64 { return a * h / 1e6 }, base}
	case 1: // tapered round
		r0, slope := between(r, 60, 90), between(r, 0.08, 0.25)
		return vessel{"tapered round", func(h float64) float64 {
			r1 := r0 + slope*h
			return math.Pi * h * (r0*r0 + r0*r1 + r1*r1) / 3 / 1e6
		}, base}
	case 2: // tapered rectangle
		a, b, slope := between(r, 150, 220), between(r, 120, 180), between(r, 0.05, 0.2)
		return vessel{"tapered box", func(h float64) float64 {
			return h * (a*b + slope*h*(a+b)/2*2/2 + slope*slope*h*h/3) / 1e6
		}, base}
	}
	R := between(r, 130, 170)
	return vessel{"bowl", func(h float64) float64 { return math.Pi * h * h * (3*R - h) / 3 / 1e6 }, base}
}

func (v vessel) height(volume float64) float64 {
	lo, hi := 0.0, 1000.0
	if v.name == "bowl" {
		hi = 260
	}
	for range 50 {
		if mid := (lo + hi) / 2; v.volume(mid) < volume {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

func (v vessel) area(h float64) float64 { return (v.volume(h+0.5) - v.volume(h-0.5)) }

type fold struct {
	at, loss float64
	uneven   float64 // mm
}

// rise is one invented rise: its truth and what is seen of it.
type rise struct {
	proc         process
	speed        func(float64) float64
	vessel       vessel
	noiseMM      float64
	stepMM       float64
	every        float64 // hours
	dough, air   []float64
	truth        []float64 // percent, each simStep
	folds        []fold
	gaps         [][2]float64
	doubled      float64 // hours; NaN if never
	airIsUnknown bool
	rng          *rand.Rand
}

const simHours = 18

// newRise draws until a rise doubles within a kitchen's day.
func newRise(seed uint64, kind int) *rise {
	rng := rand.New(rand.NewPCG(seed, 77))
	for {
		x := &rise{rng: rng, proc: newProcess(rng, kind), speed: speedOf(rng)}
		x.vessel = newVessel(rng, rng.IntN(4))
		x.noiseMM = []float64{0.5, 1.5, 3}[rng.IntN(3)]
		x.stepMM = 1
		x.every = []float64{1, 10, 60}[rng.IntN(3)] / 3600
		x.airIsUnknown = rng.IntN(3) == 0
		x.weather()
		x.truth = x.simulate([3]float64{1, 1, 1})
		x.doubled = firstCrossing(x.truth, 100)
		if x.doubled > 2 && x.doubled < 15 {
			if rng.IntN(2) == 0 {
				x.addFolds()
			}
			x.addGaps()
			if x.doubled = firstCrossing(x.truth, 100); x.doubled > 2 && x.doubled < 16 {
				return x
			}
		}
	}
}

func firstCrossing(path []float64, want float64) float64 {
	for i := 1; i < len(path); i++ {
		if path[i] >= want {
			return (float64(i-1) + (want-path[i-1])/(path[i]-path[i-1])) * simStep
		}
	}
	return math.NaN()
}

// weather draws the room and lets the dough follow it.
func (x *rise) weather() {
	r := x.rng
	n := int(simHours / simStep)
	room := between(r, 17, 30)
	dough := min(max(room+3*r.NormFloat64(), 17), 30)
	tau := between(r, 1, 4)
	ramp, rampAt, rampFor := 0.0, between(r, 0, 5), between(r, 2, 6)
	if r.IntN(2) == 0 {
		ramp = between(r, -6, 6)
	}
	wave := between(r, 0, 0.5)
	for i := range n {
		t := float64(i) * simStep
		a := room + ramp*min(max((t-rampAt)/rampFor, 0), 1) + wave*math.Sin(2*math.Pi*t*1.5)
		a = min(max(a, 15), 31)
		dough += (a - dough) / tau * simStep
		x.air = append(x.air, a)
		x.dough = append(x.dough, dough)
	}
}

func (x *rise) simulate(psi [3]float64) []float64 {
	x.proc.start(psi)
	out := make([]float64, len(x.dough))
	k := 0
	for i := range out {
		for k < len(x.folds) && x.folds[k].at <= float64(i)*simStep {
			x.proc.lose(x.folds[k].loss)
			k++
		}
		out[i] = x.proc.gas()
		x.proc.step(simStep, x.speed(x.dough[i]))
	}
	return out
}

func (x *rise) addFolds() {
	n := 1 + x.rng.IntN(4)
	at := 0.0
	for range n {
		at += between(x.rng, 0.4, 0.8)
		if at > 0.6*x.doubled {
			break
		}
		x.folds = append(x.folds, fold{at, between(x.rng, 0.05, 0.3), 3 * x.rng.NormFloat64()})
	}
	x.truth = x.simulate([3]float64{1, 1, 1})
}

func (x *rise) addGaps() {
	for range x.rng.IntN(3) {
		at := between(x.rng, 0.3, x.doubled)
		x.gaps = append(x.gaps, [2]float64{at, at + between(x.rng, 0.1, 1)})
	}
}

func (x *rise) inGap(t float64) bool {
	for _, g := range x.gaps {
		if t >= g[0] && t < g[1] {
			return true
		}
	}
	return false
}

// reading is what the sensor says at a time, turned back into litres; ok is
// false in a gap.
type reading struct {
	at, volume, sd, dough, air float64
	fold                       bool // folded since the reading before
	seen                       bool
}

// readings plays the sensors from the start to an hour.
func (x *rise) readings(until float64, each func(reading)) {
	rng := rand.New(rand.NewPCG(uint64(x.doubled*1e9), 5))
	v0 := x.vessel.volume(x.vessel.base)
	heights := make([]float64, len(x.truth))
	for i, g := range x.truth {
		if float64(i)*simStep > until+simStep {
			break
		}
		heights[i] = x.vessel.height(v0 * (1 + g/100))
	}
	k := 0
	for t := 0.0; t < until; t += x.every {
		i := min(int(t/simStep), len(x.truth)-2)
		f := t/simStep - float64(i)
		h := heights[i] + f*(heights[i+1]-heights[i])
		rd := reading{at: t, seen: !x.inGap(t)}
		for k < len(x.folds) && x.folds[k].at <= t {
			rd.fold = true
			k++
		}
		if k > 0 {
			h += x.folds[k-1].uneven * math.Exp(-(t-x.folds[k-1].at)/0.12)
		}
		h += x.noiseMM * rng.NormFloat64()
		h = max(1, math.Round(h/x.stepMM)*x.stepMM)
		rd.volume = x.vessel.volume(h)
		rd.sd = x.vessel.area(h) * 1.0 // the sensor claims 1 mm whatever it is
		rd.dough = math.Round((x.dough[i]+0.05*rng.NormFloat64())*16) / 16
		rd.air = math.Round((x.air[i]+0.1*rng.NormFloat64())*16) / 16
		if x.airIsUnknown {
			rd.air = math.NaN()
		}
		each(rd)
	}
}
