package forecast

import (
	"math"
	"sort"
	"time"

	"tidemark/estimator/lsq"
)

// sample is one curve drawn from the posterior with its weight and the state of
// the deviation from it.
type sample struct {
	curve    curve
	params   params
	model    int
	weight   float64
	base     float64 // start volume, scaled: the curve's and the deviation then
	state    vector  // of the deviation now
	noise    float64 // standard normal, for the wander to come
	past     float64 // standard normal, for the path behind
	scenario int
}

const (
	minBins    = 4
	minHours   = 1.0 / 6
	spreadBy   = 1.2 // the draws are this much wider than the Laplace posterior
	leastShare = 2e-3
	heaviest   = 0.05   // the most one draw may weigh
	startDoubt = 0.0015 // of the start volume: shapes bend the start to fit the rest
	hopeless   = 1e-5   // a shape with less evidence is left alone
	idleRefits = 7      // for so many refits
)

// Refit brings the posterior up to date with everything added so far. It is the
// costly part: call it every half minute or on news. Its result does not depend
// on how often it is called, but for the start of the search.
func (f *Fit) Refit(now time.Duration) {
	f.now = now.Hours()
	f.clock.advance(f.now, math.NaN(), math.NaN())
	f.fitted = false
	f.take()
	if f.bins.n == 0 {
		f.why = "No forecast yet: the level has not been seen."
		return
	}
	if f.scale == 0 {
		f.scale = f.bins.list[0].meanVolume()
	}
	f.ended = min(f.stopped, fallenSince(&f.bins, f.scale, f.bins.noise.ratio()))
	f.state.startDent = f.sunk
	f.state.load(&f.bins, f.scale, f.ended, f.moved)
	w := &f.state
	if w.n < minBins || w.at[w.n-1]-w.at[0] < minHours {
		f.why = "No forecast yet: 10 minutes of readings are needed."
		return
	}
	f.size = f.wander()
	w.run(f.size)
	w.smooth()
	if !f.fitModels() {
		f.why = "No forecast: the readings fit no rise."
		return
	}
	f.then = f.clock
	f.ahead.fill(&f.then, false, gridHours)
	f.sampleAll()
	if len(f.samples) == 0 {
		f.why = "No forecast: the readings fit no rise."
		return
	}
	f.fitted, f.why = true, ""
}

func (f *Fit) fitModels() bool {
	top := math.Inf(-1)
	for i := range f.models {
		m := &f.models[i]
		if m.idle > 0 { // hopeless a moment ago: looked at again later
			m.idle--
			m.weight = math.Inf(-1)
			continue
		}
		if !m.fit(&f.solver, &f.state) {
			m.weight = math.Inf(-1)
		}
		top = max(top, m.weight)
	}
	top = max(top, f.secondChance())
	if math.IsInf(top, -1) {
		return false
	}
	var sum float64
	for i := range f.models {
		f.models[i].weight = math.Exp(f.models[i].weight - top)
		sum += f.models[i].weight
	}
	for i := range f.models {
		m := &f.models[i]
		m.weight /= sum
		if m.weight < hopeless && m.idle == 0 {
			m.idle = idleRefits
		}
	}
	return true
}

// secondChance starts shapes that fit far worse than the best from where the
// best one is: some have flat places a search cannot leave. It returns the
// highest evidence found.
func (f *Fit) secondChance() float64 {
	best := &f.models[0]
	for i := range f.models {
		if m := &f.models[i]; m.weight > best.weight {
			best = m
		}
	}
	top := best.weight
	for i := range f.models {
		m := &f.models[i]
		if m == best || m.idle > 0 || m.ss < best.ss+25 {
			continue
		}
		kept := *m
		m.best, m.warm = best.best, true
		if !m.fit(&f.solver, &f.state) || m.ss > kept.ss {
			*m = kept
		}
		top = max(top, m.weight)
	}
	return top
}

// sampleAll draws from each model in proportion to its evidence and weighs the
// draws by the true posterior.
func (f *Fit) sampleAll() {
	f.samples = f.samples[:0]
	base := math.Inf(1)
	for i := range f.models {
		if f.models[i].weight > 0 {
			base = min(base, f.models[i].ss)
		}
	}
	for i := range f.models {
		if m := &f.models[i]; m.weight >= leastShare {
			f.sampleModel(i, base)
		}
	}
	f.normalise()
}

// drawCount is how many draws a shape gets for its share of the evidence.
func (m *model) drawCount() int { return min(max(16, int(m.weight*sampleCount)), drawRows) }

func (f *Fit) sampleModel(index int, base float64) {
	m := &f.models[index]
	w := &f.state
	count := m.drawCount()
	var logDet float64
	for j := range paramCount {
		logDet += math.Log(m.factor[j*paramCount+j])
	}
	volume := math.Pow(spreadBy, paramCount) * math.Exp(m.belief-logDet) / float64(count)
	end := f.endDraw()
	for k := range count {
		var s sample
		zz, ok := f.curveDraw(index, k, &s)
		if !ok {
			continue
		}
		ss, state := f.residuals(&s.curve)
		for j := range paramCount {
			e := (s.params[j] - m.mean[j]) / m.sd[j]
			ss += e * e
		}
		z := &f.shop.draws.z[k]
		s.weight = volume * math.Exp(-0.5*(ss-base)+0.5*zz)
		s.state = end.draw(state, z[5:9])
		dent := w.backward(f.path[:w.n], f.path[maxBins:maxBins+w.n])
		s.base = s.curve.v0 + f.path[maxBins] - dent + math.Hypot(w.smoothSD[0], startDoubt)*z[10]
		f.samples = append(f.samples, s)
	}
}

// curveDraw draws a curve of one shape: the draw number k, the same each time. zz
// is the square of its distance from the best one; not ok when no dough is so.
func (f *Fit) curveDraw(index, k int, s *sample) (zz float64, ok bool) {
	m := &f.models[index]
	z := &f.shop.draws.z[k]
	s.model, s.noise, s.past, s.scenario = index, z[9], z[5], (k*5+index)%scenarioCount
	for j := range paramCount {
		zz += z[j] * z[j]
		s.params[j] = z[j] * spreadBy
	}
	lsq.BackSolve(m.factor[:], paramCount, s.params[:])
	for j := range paramCount {
		s.params[j] += m.best[j]
	}
	if !inDomain(s.params[:]) {
		return zz, false
	}
	s.curve = m.curve(s.params[:])
	return zz, true
}

// endDraw draws the state now, given the filtered mean after the last bin.
type endDraw struct {
	factor [stateCount * stateCount]float64
	phi    [4]float64
	heal   float64
}

func (f *Fit) endDraw() (e endDraw) {
	w := &f.state
	p := w.endCov
	since := max(0, f.now-w.at[w.n-1])
	e.phi, e.heal = transition(since), math.Exp(-since/healHours)
	predict(&p, e.phi, e.heal)
	for a := range p {
		for b := range p {
			e.factor[a*stateCount+b] = p[a][b]
		}
		e.factor[a*stateCount+a] += 1e-12
	}
	if !lsq.Cholesky(e.factor[:], stateCount) {
		clear(e.factor[:])
	}
	return e
}

func (e *endDraw) draw(s vector, z []float64) vector {
	s[0], s[1] = e.phi[0]*s[0]+e.phi[1]*s[1], e.phi[2]*s[0]+e.phi[3]*s[1]
	s[3] *= e.heal
	for a := range s {
		for b := 0; b <= a; b++ {
			s[a] += e.factor[a*stateCount+b] * z[b]
		}
	}
	return s
}

// residuals runs the filter over the record for one curve. The first half of
// the path scratch keeps the innovations, the second the predicted deviation.
func (f *Fit) residuals(c *curve) (ss float64, s vector) {
	w := &f.state
	r := f.path[:w.n]
	k := c.v0 * c.ceiling / 100
	base := c.v0 - k*c.s0
	scale := c.mu / c.ceiling
	for i := range r {
		theta := w.ganzle[i] + c.resp*(w.ctmi[i]-w.ganzle[i])
		y, _ := c.shape.Unit(scale*theta - c.lag)
		r[i] = w.y[i] - base - k*y
	}
	return w.filter(r, f.path[maxBins:maxBins+w.n])
}

// normalise makes the weights sum to 1 and cuts those that alone would rule.
// When every weight has vanished, all count the same.
func (f *Fit) normalise() {
	var top float64
	for i := range f.samples {
		top = max(top, f.samples[i].weight)
	}
	for i := range f.samples {
		s := &f.samples[i]
		if s.weight /= top; !finite(s.weight) {
			s.weight = 1
		}
	}
	for range 2 {
		sum := f.totalWeight()
		for i := range f.samples {
			f.samples[i].weight = min(f.samples[i].weight/sum, max(heaviest, 1/float64(len(f.samples))))
		}
	}
}

type weighted struct{ x, w float64 }

// quantiles sorts the pairs and returns weighted quantiles.
func quantiles(list []weighted, q ...float64) []float64 {
	sort.Slice(list, func(i, j int) bool { return list[i].x < list[j].x })
	var total float64
	for _, e := range list {
		total += e.w
	}
	out := make([]float64, len(q))
	for i, p := range q {
		out[i] = quantile(list, p*total)
	}
	return out
}

// quantile interpolates between the middles of the weights.
func quantile(list []weighted, want float64) float64 {
	var sum float64
	for i, e := range list {
		mid := sum + e.w/2
		if mid >= want {
			if i == 0 {
				return e.x
			}
			prev := list[i-1]
			before := sum - prev.w/2
			return prev.x + (want-before)/(mid-before)*(e.x-prev.x)
		}
		sum += e.w
	}
	return list[len(list)-1].x
}
