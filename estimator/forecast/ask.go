package forecast

import (
	"cmp"
	"math"
	"slices"
)

// Crossing says when a rise is, or was, first reached: the median and the
// central 80 % interval, in hours since the start, given that it is reached.
type Crossing struct {
	From, Median, Until float64
	Chance              float64 // that it is ever reached, 0..1; NaN when Known is false for want of data
	Even                float64 // when it is reached as likely as not, hours since the start; plus infinity when it never is
	Past                bool    // it has been reached, more likely than not
	Known               bool    // the three times mean something
}

// known reports whether enough was seen for a forecast.
func (f *Fit) known() bool {
	if f.done == 0 || f.paths.rise == nil {
		return false
	}
	looks := 0
	for i := range f.bins[:f.done] {
		if f.bins[i].look {
			looks++
		}
	}
	return looks > 0 && f.now >= leastHours || f.done >= leastBins && f.bins[f.done-1].meanAt()-f.bins[0].meanAt() >= leastHours/2
}

// crossesAt is when member i gets to a rise (start volumes), hours since the start;
// plus infinity if never.
func (f *Fit) crossesAt(i int, goal float64) float64 {
	p := f.paths.rise[i]
	g := float32(goal)
	if p[0] >= g {
		return f.crossedAt(i, goal)
	}
	for k := 1; k < len(p); k++ {
		if p[k] >= g {
			a, b := gridHours(k-1), gridHours(k)
			return f.now + a + (b-a)*float64((g-p[k-1])/(p[k]-p[k-1]))
		}
	}
	return math.Inf(1)
}

// crossedAt is when the curve of member i first passed a rise in the past.
func (f *Fit) crossedAt(i int, goal float64) float64 {
	m := &f.members[i]
	goal += m.dough.rise - float64(f.paths.rise[i][0])
	d := m.curve.start()
	from, ganzle, ctmi, last := 0.0, 0.0, 0.0, 0.0
	for k := range f.bins[:f.done] {
		x := &f.bins[k]
		at := x.meanAt()
		m.curve.advance(&d, max(x.meanGanzle()-ganzle, 0), max(x.meanCTMI()-ctmi, 0))
		ganzle, ctmi = x.meanGanzle(), x.meanCTMI()
		d.rise -= f.lostBetween(&f.branches[m.branch], from, at)
		if d.rise >= goal {
			return from + (at-from)*min(max((goal-last)/max(d.rise-last, 1e-9), 0), 1)
		}
		from, last = at, d.rise
	}
	return f.now
}

// Crossing forecasts a rise in percent of the start volume, as of the last Refit.
func (f *Fit) Crossing(risePercent float64) Crossing {
	if !f.known() {
		return Crossing{Even: math.Inf(1), Chance: math.NaN()}
	}
	var list []weighted
	var chance, past float64
	for i := range f.members {
		t := f.crossesAt(i, risePercent/100)
		if math.IsInf(t, 1) {
			continue
		}
		chance += f.paths.weight[i]
		if t <= f.now {
			past += f.paths.weight[i]
		}
		list = append(list, weighted{t, f.paths.weight[i]})
	}
	c := Crossing{Even: math.Inf(1), Chance: min(chance, 1), Past: past > 0.5}
	if chance > 0.5 {
		c.Even = quantiles(list, 0.5/chance)[0]
	}
	if chance < leastChance {
		return c
	}
	q := quantiles(list, 0.1, 0.5, 0.9)
	c.From, c.Median, c.Until, c.Known = q[0], q[1], q[2], true
	return c
}

// Baseline returns the start volume in litres and its standard deviation; NaN
// before the first level.
func (f *Fit) Baseline() (volumeL, sdL float64) {
	mean, sd := f.moments(func(i int) float64 { return f.members[i].state[sStart] })
	sd = math.Hypot(sd, math.Sqrt(f.branches[0].filter.p[sStart][sStart]))
	return f.scale * (1 + mean), f.scale * sd
}

// Rise returns the rise in percent of the start volume at a time, not before that
// of the last Refit, and its standard deviation in percentage points; NaN before a
// fit.
func (f *Fit) Rise(now float64) (percent, sd float64) {
	if f.paths.rise == nil || f.done == 0 {
		return math.NaN(), math.NaN()
	}
	mean, sd := f.moments(func(i int) float64 { return f.riseAt(i, now-f.now) })
	return 100 * mean, 100 * sd
}

// Rate returns the speed of the rise in percent an hour and its standard deviation.
func (f *Fit) Rate() (perHour, sd float64) {
	if f.paths.rise == nil || f.done == 0 {
		return math.NaN(), math.NaN()
	}
	mean, sd := f.moments(func(i int) float64 { return float64(f.paths.rise[i][1]-f.paths.rise[i][0]) / gridHours(1) })
	return 100 * mean, 100 * sd
}

// riseAt is the rise of member i some hours from now, start volumes.
func (f *Fit) riseAt(i int, hours float64) float64 {
	k := 1
	for k < gridCount-1 && gridHours(k) < hours {
		k++
	}
	a, b := gridHours(k-1), gridHours(k)
	p := f.paths.rise[i]
	return float64(p[k-1]) + (hours-a)/(b-a)*float64(p[k]-p[k-1])
}

// moments are the weighted mean and standard deviation over the members.
func (f *Fit) moments(get func(i int) float64) (mean, sd float64) {
	w := f.paths.weight
	if w == nil {
		w = f.shares()
	}
	var squares float64
	for i := range f.members {
		x := get(i)
		mean += w[i] * x
		squares += w[i] * x * x
	}
	return mean, math.Sqrt(max(0, squares-mean*mean))
}

// Ceiling returns the highest rise to come, or now, in percent: median and 80 %
// interval; NaN before a forecast.
func (f *Fit) Ceiling() (low, median, high float64) {
	return f.spread(func(i int) float64 {
		top, _ := f.peak(i)
		return 100 * top
	})
}

// Ends returns when growth ends, hours since the start: the time from which hardly
// anything is left of the rise to come.
func (f *Fit) Ends() (from, median, until float64) {
	return f.spread(func(i int) float64 {
		_, at := f.peak(i)
		return f.now + at
	})
}

// peak is the highest rise to come of member i and how many hours from now it has
// all but got there.
func (f *Fit) peak(i int) (rise, hours float64) {
	p := f.paths.rise[i]
	top := p[0]
	for _, x := range p {
		top = max(top, x)
	}
	k := 0
	for p[k] < top-EndPoints/100.0 {
		k++
	}
	return float64(top), gridHours(k)
}

// spread are the median and the 80 % interval of something over the members.
func (f *Fit) spread(get func(i int) float64) (low, median, high float64) {
	if !f.known() {
		return math.NaN(), math.NaN(), math.NaN()
	}
	list := make([]weighted, len(f.members))
	for i := range list {
		list[i] = weighted{get(i), f.paths.weight[i]}
	}
	q := quantiles(list, 0.1, 0.5, 0.9)
	return q[0], q[1], q[2]
}

// Ahead returns the rise some hours from now, percent: median and 80 % interval; NaN
// before a forecast.
func (f *Fit) Ahead(hours float64) (low, median, high float64) {
	return f.spread(func(i int) float64 { return 100 * f.riseAt(i, hours) })
}

// CarryOver returns the further rise in percentage points if the vessel goes into a
// refrigerator now: median and 80 % interval over the next 24 h. Gas shrinks on
// cooling (about 7 % from 25 to 5 C); that is not taken off.
func (f *Fit) CarryOver() (low, median, high float64) {
	var a ahead
	a.fill(&f.after, true)
	return f.spread(func(i int) float64 {
		d := f.members[i].dough
		top := d.rise
		kitchen := &a[i%scenarioCount]
		for k := range gridCount {
			f.members[i].curve.advanceBy(&d, kitchen.ganzle[k], kitchen.ctmi[k], 4*longestStep)
			top = max(top, d.rise)
		}
		return 100 * (top - f.members[i].dough.rise)
	})
}

// weighted is a value with its weight.
type weighted struct{ x, w float64 }

// quantiles sorts the list and returns its weighted quantiles.
func quantiles(list []weighted, at ...float64) []float64 {
	slices.SortFunc(list, func(a, b weighted) int { return cmp.Compare(a.x, b.x) })
	var total float64
	for _, v := range list {
		total += v.w
	}
	out := make([]float64, len(at))
	for k, q := range at {
		var sum float64
		for _, v := range list {
			sum += v.w
			out[k] = v.x
			if sum >= q*total {
				break
			}
		}
	}
	return out
}
