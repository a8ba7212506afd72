package forecast

import (
	"math"
	"math/rand/v2"
)

// member is one possible dough with its states of the nuisance filter.
type member struct {
	at     point
	curve  curve
	dough  dough
	state  vector
	loss   float64 // twice the loss of likelihood so far, without the branch's part
	prior  float64
	weight float64 // logarithm, since the last resampling
	branch uint8
}

// newMembers draws the members from the belief, half of them from the learned
// part when there is one.
func (f *Fit) newMembers() {
	r := rand.New(&f.chance)
	f.members = make([]member, memberCount)
	for i, z := range EvenNormals(memberCount, paramCount) {
		m := &f.members[i]
		m.at = f.belief.draw(r, z, i%2 == 0)
		f.set(m)
	}
}

// set readies a member at its point, before the first row.
func (f *Fit) set(m *member) {
	m.prior = f.belief.log(&m.at)
	m.curve = curveOf(&m.at)
	m.dough = m.curve.start()
	m.state = statesBefore()
	m.loss = 0
}

// follow moves a member over rows. It gives up, and reports false, once the loss
// passes a bound.
func (m *member) follow(rows []row, bound float64) bool {
	for k := range rows {
		r := &rows[k]
		m.curve.advance(&m.dough, r.ganzle, r.ctmi)
		m.dough.rise -= r.loss
		m.loss += r.take(&m.state, 1+m.dough.rise)
		if m.loss > bound {
			return false
		}
	}
	return true
}

// shares are the weights of the members, summing to 1.
func (f *Fit) shares() []float64 {
	w := make([]float64, len(f.members))
	top, sum := math.Inf(-1), 0.0
	for i := range f.members {
		top = max(top, f.members[i].weight)
	}
	for i := range w {
		w[i] = math.Exp(f.members[i].weight - top)
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

// effective is the effective number of members as a share.
func effective(w []float64) float64 {
	var squares float64
	for _, x := range w {
		squares += x * x
	}
	return 1 / (squares * float64(len(w)))
}

// extend takes in the next bin: one more row in each branch, one step for each
// member.
func (f *Fit) extend() {
	k := f.done
	f.done++
	f.bins[k].astray = f.missed(k)
	rows := make([]row, len(f.branches))
	for i := range rows {
		b := &f.branches[i]
		rows[i] = f.prepare(b, &b.filter, k)
		b.logF += rows[i].logF
	}
	shares, miss := f.shares(), 0.0
	for i := range f.members {
		m := &f.members[i]
		before := m.loss
		r := &rows[m.branch]
		m.follow(rows[m.branch:m.branch+1], math.Inf(1))
		m.weight -= (m.loss - before + r.logF) / 2
		miss += shares[i] * r.miss
	}
	if miss*f.lastMiss <= 0 {
		f.missedBins = 0
	}
	f.missedBins, f.lastMiss = f.missedBins+1, miss
	if math.Abs(miss) < astraySD {
		f.missedBins = 0
	}
}

// missed returns how far bin k may have strayed from all curves, start volumes.
func (f *Fit) missed(k int) float64 {
	if f.missedBins < astrayBins || f.bins[k].look || f.profile == nil {
		return 0
	}
	return math.Abs(f.profile.Volume(f.bins[k].level())-f.profile.Volume(f.bins[k-1].level())) / f.scale
}

// refresh resamples the members when their weights have thinned out, and moves
// each of them a few times.
func (f *Fit) refresh() {
	f.news = true
	w := f.shares()
	if effective(w) > thin {
		return
	}
	// The chance begins anew at each bin: what was read a little differently comes to
	// nearly the same members.
	f.chance = *rand.NewPCG(1, uint64(f.done))
	f.resample(w)
	f.compact()
	f.move()
}

// resample draws members by their weights, evenly spaced (systematic
// resampling: Kitagawa 1996, from memory).
func (f *Fit) resample(w []float64) {
	r := rand.New(&f.chance)
	old := append([]member(nil), f.members...)
	n := float64(len(old))
	u, sum, j := r.Float64()/n, w[0], 0
	for i := range f.members {
		for at := u + float64(i)/n; at > sum && j < len(w)-1; {
			j++
			sum += w[j]
		}
		f.members[i] = old[j]
		f.members[i].weight = 0
	}
}

// move walks each member by Metropolis steps whose proposals come from the
// differences between others (ter Braak 2006, from memory), from the belief, or
// from another branch.
func (f *Fit) move() {
	r := rand.New(&f.chance)
	rows := make([][]row, len(f.branches))
	for i := range rows {
		rows[i] = f.rows(&f.branches[i])
	}
	for range sweeps {
		for i := range f.members {
			m := &f.members[i]
			try := member{branch: m.branch}
			var given float64
			try.at, given = f.propose(r, i)
			if len(f.branches) > 1 && r.Float64() < 0.2 {
				try.at, try.branch, given = m.at, uint8(r.IntN(len(f.branches))), 0
			}
			f.set(&try)
			from, to := &f.branches[m.branch], &f.branches[try.branch]
			bound := m.loss + from.logF - to.logF + 2*(to.prior-from.prior+try.prior-m.prior-given) - 2*math.Log(r.Float64())
			if try.follow(rows[try.branch], bound) {
				*m = try
			}
		}
	}
}

// propose returns a new point for member i, and how much likelier (logarithm) it was
// to be proposed than the way back.
func (f *Fit) propose(r *rand.Rand, i int) (x point, given float64) {
	x = f.members[i].at
	if r.Float64() < 0.1 { // some parameters from the general belief
		for k, n := range f.belief.general {
			if z := r.NormFloat64(); r.Float64() < 0.25 {
				was := (x[k] - n.Mean) / n.SD
				x[k] = n.Mean + n.SD*z
				given += (was*was - z*z) / 2
			}
		}
		return x, given
	}
	a, b := &f.members[r.IntN(len(f.members))].at, &f.members[r.IntN(len(f.members))].at
	scale := 0.3 + 0.5*r.Float64()
	if r.Float64() < 0.1 {
		scale = 1
	}
	all := r.Float64() < 0.5
	for k := range x {
		if all || r.Float64() < 0.4 {
			x[k] += scale*(a[k]-b[k]) + 0.02*f.belief.general[k].SD*r.NormFloat64()
		}
	}
	return x, 0
}
