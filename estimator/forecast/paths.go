package forecast

import "math"

// gridHours is the i-th time of the grid, hours from now: five minutes apart for
// four hours, then a quarter, then an hour.
func gridHours(i int) float64 {
	switch {
	case i <= 48:
		return float64(i) / 12
	case i <= 72:
		return 4 + float64(i-48)/4
	}
	return 10 + float64(i-72)
}

// paths are the rises to come of all members, in start volumes.
type paths struct {
	rise   [][]float32 // by member, then by time of the grid
	weight []float64
}

// ahead is the equivalent time to come on the grid, for each kitchen.
type ahead [scenarioCount]struct{ ganzle, ctmi [gridCount]float64 }

// fill follows the clock into the future; in the cold when the vessel is moved
// there now.
func (a *ahead) fill(c *clock, toFridge bool) {
	var grid, temp [gridCount]float64
	for i := range grid {
		grid[i] = gridHours(i)
	}
	for s := range a {
		z := math.Sqrt2 * math.Erfinv(2*(float64(s)+0.5)/scenarioCount-1)
		if toFridge {
			c.futureCold(c.doughC, grid[:], z, temp[:])
		} else {
			c.future(grid[:], z, temp[:])
		}
		g0, s0 := c.table.At(temp[0])
		for i := 1; i < gridCount; i++ {
			g1, s1 := c.table.At(temp[i])
			dt := grid[i] - grid[i-1]
			a[s].ganzle[i], a[s].ctmi[i] = dt*(g0+g1)/2, dt*(s0+s1)/2
			g0, s0 = g1, s1
		}
	}
}

// fill computes the paths as of now.
func (p *paths) fill(f *Fit) {
	var a ahead
	a.fill(&f.after, false)
	p.weight = f.shares()
	if p.rise == nil {
		p.rise = make([][]float32, len(f.members))
		room := make([]float32, len(f.members)*gridCount)
		for i := range p.rise {
			p.rise[i] = room[i*gridCount : (i+1)*gridCount]
		}
	}
	for i := range f.members {
		f.path(i, &a, p.rise[i])
	}
}

// path fills the rise to come of one member. Its error now and the error of its
// speed to come are drawn once.
func (f *Fit) path(i int, a *ahead, dst []float32) {
	m := &f.members[i]
	d := m.dough
	if n := f.done; n > 0 {
		b := &f.bins[n-1]
		m.curve.advance(&d, max(f.after.ganzle-b.meanGanzle(), 0), max(f.after.ctmi-b.meanCTMI(), 0))
	} else {
		m.curve.advance(&d, f.after.ganzle, f.after.ctmi)
	}
	sd := math.Sqrt(max(f.branches[m.branch].filter.p[sLoss][sLoss], 0))
	off := m.state[sLoss] + sd*f.doubts[i]
	pace := math.Exp(speedDoubt * f.paces[i])
	now := d.rise
	kitchen := &a[i%scenarioCount]
	for k := range dst {
		if k > 0 {
			m.curve.advanceBy(&d, kitchen.ganzle[k], kitchen.ctmi[k], longestStep*(1+float64(k)/24))
		}
		dst[k] = float32(now + pace*(d.rise-now) - off)
	}
}
