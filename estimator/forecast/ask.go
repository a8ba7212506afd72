package forecast

import (
	"fmt"
	"math"
	"time"
)

// Crossing says when a rise is, or was, first reached: the median and the
// central 80 % interval, as times since the start, given that it is reached.
type Crossing struct {
	From, Median, Until time.Duration
	Chance              float64 // that it is ever reached, 0..1; NaN when Known is false for want of data
	Past                bool    // it has been reached, more likely than not
	Known               bool    // the three times mean something
	Why                 string  // why not, in words; empty when Known
}

// FanColumn is the rise to come at one time: quantiles in percent.
type FanColumn struct {
	At                                 time.Duration
	P10Percent, P50Percent, P90Percent float64
}

// Params sums up what a rise taught, for later priors: the mean and covariance
// of ln ceiling (ln %), ln rate (ln %/h at 24 C) and lag (share of ceiling/rate,
// that of the Gompertz curve as late at a tenth of its ceiling).
type Params struct {
	LogCeiling, LogRate, Lag float64
	Cov                      [3][3]float64
}

const leastChance = 0.2 // below this the times of the few curves that get there mislead

// Crossing forecasts a rise in percent of the start volume, as of the last
// Refit. Past crossings are read off the smoothed record.
func (f *Fit) Crossing(risePercent float64) Crossing {
	if !f.awake() {
		return Crossing{Chance: math.NaN(), Why: f.whyNot()}
	}
	f.sorted = f.sorted[:0]
	behind := f.mayBeBehind(risePercent)
	var chance, past float64
	for i := range f.samples {
		s := &f.samples[i]
		t := math.Inf(1)
		if behind {
			t = f.crossedAt(s, risePercent)
		}
		if math.IsInf(t, 1) && f.now <= f.ended {
			t = f.crossesAt(s, risePercent)
		}
		if math.IsInf(t, 1) {
			continue
		}
		chance += s.weight
		if t <= f.now {
			past += s.weight
		}
		f.sorted = append(f.sorted, weighted{t, s.weight})
	}
	c := Crossing{Chance: chance / f.totalWeight()}
	if c.Chance < leastChance && f.now > f.ended {
		c.Why = fmt.Sprintf("The rise did not reach %.0f %%: the level has been falling since its peak.", risePercent)
		return c
	}
	if c.Chance < leastChance {
		_, mid, _ := f.Ceiling()
		c.Why = fmt.Sprintf("The rise will most likely not reach %.0f %%: it levels off near %.0f %%.", risePercent, mid)
		return c
	}
	q := quantiles(f.sorted, 0.1, 0.5, 0.9)
	c.From, c.Median, c.Until = hours(q[0]), hours(q[1]), hours(q[2])
	c.Past = past > 0.5*f.totalWeight()
	c.Known = true
	return c
}

// whyNot says why nothing is forecast, in words.
func (f *Fit) whyNot() string {
	if f.asleep() {
		return "No forecast: it rests until it is brought up to date."
	}
	return f.why
}

func hours(h float64) time.Duration {
	return time.Duration(min(max(h, 0), 24*365) * float64(time.Hour))
}

func (f *Fit) totalWeight() float64 {
	var sum float64
	for i := range f.samples {
		sum += f.samples[i].weight
	}
	return sum
}

// mayBeBehind reports whether any bin came near the level.
func (f *Fit) mayBeBehind(rise float64) bool {
	v0 := math.Exp(f.best().best[iVolume])
	for i := range f.state.n {
		if f.state.y[i] > v0*(1+rise/100)-0.1 {
			return true
		}
	}
	return false
}

// best is the model with the most evidence.
func (f *Fit) best() *model {
	top := &f.models[0]
	for i := range f.models {
		if f.models[i].weight > top.weight {
			top = &f.models[i]
		}
	}
	return top
}

// crossedAt walks the smoothed path of one sample up to now.
func (f *Fit) crossedAt(s *sample, rise float64) float64 {
	w := &f.state
	f.residuals(&s.curve)
	v, dev := f.path[:w.n], f.path[maxBins:maxBins+w.n]
	w.backward(v, dev)
	goal := s.base * (1 + rise/100)
	before, at := s.base, 0.0
	for i := range w.n {
		x := s.curve.v0*(1+s.curve.rise(w.ganzle[i], w.ctmi[i])/100) + dev[i] + s.past*w.smoothSD[i]
		if x >= goal {
			if before >= goal {
				return at
			}
			return at + (goal-before)/(x-before)*(w.at[i]-at)
		}
		before, at = x, w.at[i]
	}
	return math.Inf(1)
}

// crossesAt finds when one sample gets there from now on, plus infinity if never.
func (f *Fit) crossesAt(s *sample, rise float64) float64 {
	c := &s.curve
	g, e := f.ahead.at(s.scenario, 0)
	goal := s.base * (1 + rise/100)
	if now := c.rise(g, e); c.volume(now)+f.deviation(s, now, 0) >= goal {
		return f.now
	}
	t := 0.0
	for range 4 {
		theta := c.equivalent(100 * ((goal-f.deviation(s, rise, t))/c.v0 - 1))
		if math.IsInf(theta, 1) {
			return theta
		}
		t = max(0, f.ahead.hours(s.scenario, c.resp, theta))
	}
	return f.now + t
}

// deviation of one sample from its curve some hours from now, when the curve is
// near a rise; scaled volume.
func (f *Fit) deviation(s *sample, rise, hours float64) float64 {
	phi := transition(hours)
	grown := math.Sqrt(max(0, 1-phi[0]*phi[0]-phi[1]*phi[1]*slopeVariance))
	u := phi[0]*s.state[0] + phi[1]*s.state[1] + grown*s.noise
	return reachOf(f.size, 1+rise/100)*u + s.state[2] + s.state[3]*math.Exp(-hours/healHours)
}

// riseAt is the rise of one sample some hours from now, percent.
func (f *Fit) riseAt(s *sample, a *ahead, hours float64) float64 {
	g, e := a.at(s.scenario, hours)
	rise := s.curve.rise(g, e)
	return s.percent(s.curve.volume(rise) + f.deviation(s, rise, hours))
}

// percent turns a scaled volume into the rise over the sample's start.
func (s *sample) percent(volume float64) float64 { return 100 * (volume/s.base - 1) }

// Baseline returns the start volume in litres and its standard deviation; NaN
// before the first reading.
func (f *Fit) Baseline() (volumeL, sdL float64) {
	if f.bins.n == 0 {
		return math.NaN(), math.NaN()
	}
	if !f.fitted {
		b := &f.bins.list[0]
		return b.meanVolume(), math.Sqrt(b.variance) / b.n
	}
	if f.asleep() {
		return f.restL, f.restSDL
	}
	m, sd := f.moments(func(s *sample) float64 { return s.base })
	return m * f.scale, sd * f.scale
}

// Rise returns the present rise in percent of the start volume and its standard
// deviation in percentage points, as of the last Refit; NaN before a fit.
func (f *Fit) Rise(now time.Duration) (percent, sd float64) {
	if !f.fitted {
		return math.NaN(), math.NaN()
	}
	if f.asleep() {
		return f.restRise(now)
	}
	ahead := max(0, now.Hours()-f.now)
	return f.moments(func(s *sample) float64 { return f.riseAt(s, &f.ahead, ahead) })
}

func (f *Fit) moments(get func(*sample) float64) (mean, sd float64) {
	var sum, sq, total float64
	for i := range f.samples {
		s := &f.samples[i]
		x := get(s)
		total += s.weight
		sum += s.weight * x
		sq += s.weight * x * x
	}
	mean = sum / total
	return mean, math.Sqrt(max(0, sq/total-mean*mean))
}

// Ceiling returns the final rise in percent: median and 80 % interval; NaN
// before a fit.
func (f *Fit) Ceiling() (low, median, high float64) {
	return f.spread(func(s *sample) float64 { return s.percent(s.curve.volume(s.curve.final()) + s.state[2]) })
}

func (f *Fit) spread(get func(*sample) float64) (low, median, high float64) {
	if !f.awake() {
		return math.NaN(), math.NaN(), math.NaN()
	}
	f.sorted = f.sorted[:0]
	for i := range f.samples {
		f.sorted = append(f.sorted, weighted{get(&f.samples[i]), f.samples[i].weight})
	}
	q := quantiles(f.sorted, 0.1, 0.5, 0.9)
	return q[0], q[1], q[2]
}

// Fan appends n columns of the rise to come to dst, one a step from now on.
func (f *Fit) Fan(dst []FanColumn, step time.Duration, n int) []FanColumn {
	if !f.awake() {
		return dst
	}
	for k := range n {
		h := step.Hours() * float64(k)
		low, mid, high := f.spread(func(s *sample) float64 { return f.riseAt(s, &f.ahead, h) })
		dst = append(dst, FanColumn{hours(f.now + h), low, mid, high})
	}
	return dst
}

// CarryOver returns the further rise in percentage points if the vessel goes
// into a refrigerator now: median and 80 % interval over the next 24 h. Gas
// shrinks on cooling (about 7 % from 25 to 5 C); that is not taken off.
func (f *Fit) CarryOver() (low, median, high float64) {
	if !f.awake() {
		return math.NaN(), math.NaN(), math.NaN()
	}
	f.ahead.fill(&f.then, true, gridHours)
	low, median, high = f.spread(func(s *sample) float64 {
		g0, s0 := f.ahead.at(s.scenario, 0)
		g1, s1 := f.ahead.at(s.scenario, 24)
		return (s.curve.rise(g1, s1) - s.curve.rise(g0, s0)) * s.curve.v0 / s.base
	})
	f.ahead.fill(&f.then, false, gridHours)
	return low, median, high
}

// Params sums up the posterior; not ok before a fit.
func (f *Fit) Params() (p Params, ok bool) {
	if !f.awake() {
		return p, false
	}
	index := [3]int{iCeiling, iRate, iLag}
	var mean, late [3]float64
	total := f.totalWeight()
	for i := range f.samples {
		late[2] = f.models[f.samples[i].model].late
		for j, k := range index {
			mean[j] += f.samples[i].weight * (f.samples[i].params[k] - late[j]) / total
		}
	}
	for i := range f.samples {
		s := &f.samples[i]
		late[2] = f.models[s.model].late
		for a, ka := range index {
			for b, kb := range index {
				p.Cov[a][b] += s.weight * (s.params[ka] - late[a] - mean[a]) * (s.params[kb] - late[b] - mean[b]) / total
			}
		}
	}
	p.LogCeiling, p.LogRate, p.Lag = mean[0], mean[1], mean[2]
	return p, true
}
