package virtual

import (
	"math"
	"time"
)

// gasR is the molar gas constant, J/(mol K).
const gasR = 8.314462618

// warmth is how fast a culture works at a temperature, 1 at 24 C: faster with
// warmth (Arrhenius, 62 kJ/mol) until its enzymes fail (half of them at 36 C,
// 230 kJ/mol). The figures are invented to be plausible.
func warmth(celsius float64) float64 { return activity(celsius) / activity(24) }

// activity is warmth up to a factor.
func activity(celsius float64) float64 {
	kelvin := celsius + 273.15
	up := math.Exp(-62e3 / gasR * (1/kelvin - 1/297.15))
	spoilt := math.Exp(230e3 / gasR * (1/309.15 - 1/kelvin))
	return up / (1 + spoilt)
}

// content is the state of what is in a vessel.
type content struct {
	present  bool
	cells    float64 // share of what the food could feed
	food     float64 // share left, 1 to 0
	gas      float64 // held, in volumes of gas-free dough
	gasStart float64 // held right after mixing
	celsius  float64
	ballMM   float64 // height above what its volume would give: it is a ball
}

// fresh is the content right after mixing or feeding. Some air is always
// stirred in.
func fresh(v Vessel) content {
	return content{present: true, cells: v.Cells, food: 1, gas: 0.07, gasStart: 0.07,
		celsius: v.StartC, ballMM: v.Spread}
}

// step lets the content ferment for dt in surroundings of envC.
func (p *pot) step(envC float64, dt time.Duration) {
	if !p.present {
		return
	}
	h := dt.Hours()
	p.celsius += (envC - p.celsius) * h / p.CoolHours
	speed := warmth(p.celsius) * p.food / (p.food + 0.12)
	born := p.Growth * p.cells * speed * h
	p.cells += born
	made := p.Gas * p.cells * speed * h
	p.food = max(0, p.food-0.75*born-0.06*made)
	kept := 1 / (1 + math.Pow(p.gas/p.Hold, 4))
	eaten := 1 - p.food
	ripe := eaten * eaten * eaten
	p.gas = max(0, p.gas+made*kept-p.gas*p.LeakPerH*ripe*h)
	p.ballMM -= p.ballMM * h / 0.16
}

// fold presses gas out and leaves the dough standing higher in the middle.
func (c *content) fold() {
	c.gas -= (c.gas) * 0.12
	c.ballMM += 6
}

// riseRatio is the volume now over the volume at the start.
func (c *content) riseRatio() float64 { return (1 + c.gas) / (1 + c.gasStart) }

// heightMM is the height at which a volume stands in the vessel, mm. Beyond the
// profile its last stretch goes on.
func heightMM(profile [][2]float64, litres float64) float64 {
	last := len(profile) - 1
	i := 1
	for i < last && profile[i][1] < litres {
		i++
	}
	lo, hi := profile[i-1], profile[i]
	return lo[0] + (litres-lo[1])*(hi[0]-lo[0])/(hi[1]-lo[1])
}

// roomC is the air of the kitchen at a moment, draughts included.
func (r room) roomC(t time.Time) float64 {
	hour := float64(t.Hour()) + float64(t.Minute())/60 + float64(t.Second())/3600
	c := r.MeanC + r.SwingC*math.Cos((hour-r.WarmHour)/24*2*math.Pi)
	for _, open := range r.Draughts {
		c -= r.DropC * draught(t.Sub(open))
	}
	return c
}

// draught is how far the air has come to its fall, 0 to 1, a time after the
// window was opened. It stays open for eight minutes.
func draught(since time.Duration) float64 {
	const open, falls, recovers = 8.0, 3.0, 18.0 // minutes
	m := since.Minutes()
	switch {
	case m <= 0:
		return 0
	case m <= open:
		return 1 - math.Exp(-m/falls)
	default:
		return (1 - math.Exp(-open/falls)) * math.Exp(-(m-open)/recovers)
	}
}
