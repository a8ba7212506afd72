package forecast

import (
	"math"
	"math/rand/v2"
)

// Normal is a belief: a mean and a standard deviation.
type Normal struct{ Mean, SD float64 }

// Prior is what is believed of a rise before its first reading. Ceiling and rate
// are believed in logarithms (natural), because they are positive and known to a
// factor. Lag may be below zero: dough that was already at work when the watch
// began.
type Prior struct {
	LogCeiling Normal // ln of the final rise, percent
	LogRate    Normal // ln of the steepest slope, percent per hour at 24 C
	// Lag is a share of ceiling/rate, the time the whole rise takes at its
	// steepest; that of the Gompertz curve as late at a tenth of its ceiling.
	Lag Normal
	// Response is the belief in the two temperature responses, on the logit
	// scale: large favours S. cerevisiae, small the sourdough yeast.
	Response Normal
	// Learned is what the household's past rises taught, half of the belief when
	// it is there; nil when nothing was learned.
	Learned *Learned
}

// Learned is the belief in the curve's parameters that past rises teach: a multivariate
// Student t, wide in its tails as long as the rises are few.
type Learned struct {
	Rises   int
	Mean    [paramCount]float64
	Scale   [paramCount][paramCount]float64 // the scale matrix
	Freedom float64                         // degrees of freedom
	General [paramCount]Normal              // the belief of a household that is not known
}

// DefaultPrior is for a vessel whose past is not known. holds is "dough" or
// "starter"; anything else counts as dough.
//
// Sources (common practice): dough with 10 to 40 % of the flour in the starter
// doubles in 2 to 14 h (bwraith, Sourdough Rise Time Table; a baker's published
// bulk table, 4.5 h to 30 % at 27 C to 12 h to 100 % below 20 C). A healthy
// starter peaks at 2 to 3 times its start height, 3 to 16 h after feeding
// (feeding charts by Summit Sourdough, 2025, and Loaf and Levain). The spread
// covers the factor of two between sources.
func DefaultPrior(holds string) Prior {
	p := Prior{
		LogCeiling: Normal{math.Log(175), 0.45},
		LogRate:    Normal{math.Log(40), 0.62},
		Lag:        Normal{0.4, 0.45},
		Response:   Normal{0, 1.5},
	}
	if holds == "starter" {
		p.LogCeiling = Normal{math.Log(170), 0.45}
		p.LogRate = Normal{math.Log(35), 0.65}
	}
	return p
}

// general is the belief in the curve's parameters without the learned part.
func (p *Prior) general() [paramCount]Normal {
	return [paramCount]Normal{
		pRate:     {p.LogRate.Mean - math.Log(100) + rateOverSlope, 0.6},
		pWake:     {1.5, 1.5},
		pSpeed:    {0, 0.55},
		pLimit:    {p.LogCeiling.Mean - math.Log(100) - ceilingOverLimit, 0.45},
		pEdge:     {-2.9, 0.8},
		pSugar:    {0.5, 0.9},
		pStarch:   {1.2, 1.5},
		pAcid:     {2, 1},
		pSolve:    {-5, 1.2},
		pLeak:     {-3.4, 1.2},
		pResponse: p.Response,
	}
}

// belief is the prior made ready: densities and draws of points.
type belief struct {
	general [paramCount]Normal
	learned *Learned
	factor  [paramCount]point // lower Cholesky factor of the learned scale
	logNorm float64           // of the learned density against the general one, logarithm
}

func newBelief(p *Prior) belief {
	b := belief{general: p.general(), learned: p.Learned}
	if p.Learned == nil {
		return b
	}
	b.general = p.Learned.General
	var ok bool
	if b.factor, ok = cholesky(&p.Learned.Scale); !ok {
		b.learned = nil
		return b
	}
	const n = paramCount
	nu := p.Learned.Freedom
	above, _ := math.Lgamma((nu + n) / 2)
	below, _ := math.Lgamma(nu / 2)
	b.logNorm = above - below - n/2.*math.Log(nu/2)
	for i, g := range b.general {
		b.logNorm -= math.Log(b.factor[i][i] / g.SD)
	}
	return b
}

// cholesky returns the lower factor L of a covariance L L'; not ok when it is none.
func cholesky(cov *[paramCount][paramCount]float64) (l [paramCount]point, ok bool) {
	for i := range l {
		for j := range i + 1 {
			sum := cov[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			switch {
			case i > j:
				l[i][j] = sum / l[j][j]
			case sum > 0 && !math.IsInf(sum, 1):
				l[i][i] = math.Sqrt(sum)
			default:
				return l, false
			}
		}
	}
	return l, true
}

// log is the logarithm of the density of a point, but for a constant.
func (b *belief) log(x *point) float64 {
	var general float64
	for i, n := range b.general {
		z := (x[i] - n.Mean) / n.SD
		general -= z * z / 2
	}
	if b.learned == nil {
		return general
	}
	var z point
	var squares float64
	for i := range z {
		s := x[i] - b.learned.Mean[i]
		for j := range i {
			s -= b.factor[i][j] * z[j]
		}
		z[i] = s / b.factor[i][i]
		squares += z[i] * z[i]
	}
	nu := b.learned.Freedom
	learned := b.logNorm - (nu+paramCount)/2*math.Log1p(squares/nu)
	top := max(general, learned)
	return top + math.Log(math.Exp(general-top)+math.Exp(learned-top))
}

// draw returns the point of the belief at so many standard deviations of each of its
// dimensions; of the learned part, whose width r draws, when told and there is one.
func (b *belief) draw(r *rand.Rand, z []float64, learned bool) (x point) {
	if learned && b.learned != nil {
		var squares float64 // chi square: Freedom is a whole number
		for range int(b.learned.Freedom) {
			g := r.NormFloat64()
			squares += g * g
		}
		wide := math.Sqrt(b.learned.Freedom / squares)
		for i := range x {
			x[i] = b.learned.Mean[i]
			for j := range i + 1 {
				x[i] += wide * b.factor[i][j] * z[j]
			}
		}
		return x
	}
	for i, n := range b.general {
		x[i] = n.Mean + n.SD*z[i]
	}
	return x
}

// Inoculated shifts the prior for the share of flour that was fermented in the
// starter, 0 to 1: the rate goes up and the lag down with it. 0 or a value out
// of range leaves the prior as it is. The middle, 0.2, is common practice; the
// exponent allows for the half or so of a doubling time each doubling of the
// starter saves (exponential growth), and leaves the spread nearly as wide.
func (p Prior) Inoculated(share float64) Prior {
	if !(share > 0 && share <= 1) {
		return p
	}
	x := math.Log(share / 0.2)
	p.LogRate.Mean += 0.35 * x
	p.Lag.Mean -= 0.05 * x
	return p
}

// Salted shifts the prior for salt in percent of flour. 2 % is the middle.
// Sourdough yeast tolerates 8 % salt in water phase and slows on the way there
// (Gänzle, Ehmann, Hammes 1998, abstract); 6 % slower per percent is common
// practice, no source.
func (p Prior) Salted(percent float64) Prior {
	if !(percent >= 0 && percent <= 6) {
		return p
	}
	p.LogRate.Mean -= 0.06 * (percent - 2)
	return p
}

// Learn narrows the prior with finished rises of the same household. Rises
// differ more from each other than each one's own fit is unsure (Gause 1932
// shows the same for yeast in a flask), so the spread between rises is kept as
// a floor: 0.15 in the logarithms, 0.05 in the lag.
//
// Beside this the parameters of this package's curve are pooled; half of the
// belief is then in them (see [Learned]).
func (p Prior) Learn(past []Params) Prior {
	general := p.general()
	p.Learned = learnedFrom(&general, past)
	p.LogCeiling = learn(p.LogCeiling, past, 0.15, func(q Params) Normal { return Normal{q.LogCeiling, math.Sqrt(q.Cov[0][0])} })
	p.LogRate = learn(p.LogRate, past, 0.15, func(q Params) Normal { return Normal{q.LogRate, math.Sqrt(q.Cov[1][1])} })
	p.Lag = learn(p.Lag, past, 0.05, func(q Params) Normal { return Normal{q.Lag, math.Sqrt(q.Cov[2][2])} })
	return p
}

// learn treats the rises as draws from a household's mean with a spread that is
// itself estimated, shrunk to half the prior's as if seen in three rises.
func learn(prior Normal, past []Params, floor float64, get func(Params) Normal) Normal {
	var n, sum float64
	for _, q := range past {
		v := get(q)
		if w := weightOf(v, prior); w > 0 {
			n += w
			sum += w * v.Mean
		}
	}
	if n == 0 {
		return prior
	}
	mean := sum / n
	half := prior.SD / 2
	spread := 3 * half * half
	for _, q := range past {
		v := get(q)
		spread += weightOf(v, prior) * (v.Mean - mean) * (v.Mean - mean)
	}
	between := max(floor*floor, spread/(n+3))
	ofMean := 1 / (1/(prior.SD*prior.SD) + n/between)
	return Normal{
		Mean: ofMean * (prior.Mean/(prior.SD*prior.SD) + sum/between),
		SD:   math.Sqrt(between + ofMean),
	}
}

// weightOf counts a rise by how much it tells beside the prior, 0 to 1.
func weightOf(v, prior Normal) float64 {
	if math.IsNaN(v.Mean) || math.IsNaN(v.SD) {
		return 0
	}
	ratio := v.SD / prior.SD
	return max(0, 1-ratio*ratio)
}
