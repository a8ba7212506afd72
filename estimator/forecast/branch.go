package forecast

import "math"

// Step is a jump of the level that lasts.
type Step struct {
	At       float64 // hours since the start
	BeforeMM float64 // level before, as read, mm
	Moved    float64 // chance that sensor or vessel moved, 0..1; else dough lost volume
	Back     bool    // it takes back the step before, whatever that was
}

// branch is one story of the steps: which were folds and which were moves.
type branch struct {
	moved  uint32 // bit i: step i was a move
	prior  float64
	filter filter
	logF   float64 // sum over its rows
}

// crossSteps applies the steps between two times to a row and the filter.
func (f *Fit) crossSteps(b *branch, flt *filter, r *row, from, to float64) {
	for i := range f.steps {
		s := &f.steps[i]
		if s.At <= from || s.At > to {
			continue
		}
		if b.moved>>i&1 == 1 {
			flt.p[sShift][sShift] += shiftSD * shiftSD
			continue
		}
		loss := f.lost(s)
		sd := lossBase + lossDoubt/foldLoss*loss
		r.loss += loss
		flt.p[sLoss][sLoss] += sd * sd
		flt.p[sUneven][sUneven] += unevenSD * unevenSD
	}
}

// lostBetween is the nominal loss in the folds of a branch between two times.
func (f *Fit) lostBetween(b *branch, from, to float64) (loss float64) {
	for i := range f.steps {
		if s := &f.steps[i]; s.At > from && s.At <= to && b.moved>>i&1 == 0 {
			loss += f.lost(s)
		}
	}
	return loss
}

// lost is the nominal loss of volume in a step taken for a fold, start volumes: a
// share of the gas there was.
func (f *Fit) lost(s *Step) float64 {
	gas := f.profile.Volume(s.BeforeMM)/f.scale - 1
	return foldLoss * max(gas, 0)
}

// prepare makes the row of a bin in a branch and moves the filter to it.
func (f *Fit) prepare(b *branch, flt *filter, k int) (r row) {
	x := &f.bins[k]
	at := x.meanAt()
	from, ganzle, ctmi := math.Inf(-1), 0.0, 0.0
	if k > 0 {
		last := &f.bins[k-1]
		from, ganzle, ctmi = last.meanAt(), last.meanGanzle(), last.meanCTMI()
	}
	r.ganzle, r.ctmi = max(x.meanGanzle()-ganzle, 0), max(x.meanCTMI()-ctmi, 0)
	f.crossSteps(b, flt, &r, from, at)
	variance := f.observe(flt, &r, x, at)
	if x.stir {
		sd := stirBase + stirLoss*max(r.y-1, 0)
		flt.p[sLoss][sLoss] += sd * sd
		flt.p[sUneven][sUneven] += stirMM * stirMM
	}
	f.crossMoves(flt, from, at)
	if k > 0 && at-from > unseenHours {
		sd := lossBase + unseenLoss*max(r.y-1, 0)
		flt.p[sLoss][sLoss] += sd * sd
	}
	flt.p[sLoss][sLoss] += x.astray * x.astray
	flt.predict(&r, max(at-flt.at, 0))
	flt.update(&r, variance)
	return r
}

// crossMoves allows for what a move to the cold or back does to dough and sensor.
func (f *Fit) crossMoves(flt *filter, from, to float64) {
	for _, at := range f.moves {
		if at > from && at <= to {
			flt.p[sLoss][sLoss] += coldLoss * coldLoss
			flt.p[sShift][sShift] += coldShift * coldShift
		}
	}
}

// observe fills a row's volume and how the states show in it, and returns the
// variance of its noise.
func (f *Fit) observe(flt *filter, r *row, x *bin, at float64) float64 {
	r.h[sLoss] = -1
	if x.look {
		r.y = x.level()
		return x.variance / x.n
	}
	r.y = f.profile.Volume(x.level()) / f.scale
	smooth := flt.expect(r.y, at-flt.at)
	s := f.profile.Area(f.profile.Height(smooth*f.scale)) / f.scale
	r.h[sStart] = smooth
	r.h[sFloor], r.h[sDrift], r.h[sUneven], r.h[sShift] = s, s, s, s
	r.h[sWarm] = s * math.Exp(-at/warmHours)
	if air := x.air / x.n; !math.IsNaN(air) && !math.IsNaN(f.air0) {
		r.h[sAir] = s * (air - f.air0)
	}
	r.h[sDome] = s * f.h0 * max(smooth-1, 0)
	r.h[sBallA] = s * f.h0 * math.Exp(-at/ballFast)
	r.h[sBallB] = s * f.h0 * math.Exp(-at/ballSlow)
	return s*s*x.noise + leastNoise*leastNoise
}

// rows makes all rows of a branch anew.
func (f *Fit) rows(b *branch) []row {
	list := make([]row, f.done)
	b.filter, b.logF = newFilter(), 0
	for k := range list {
		list[k] = f.prepare(b, &b.filter, k)
		b.logF += list[k].logF
	}
	return list
}

// split makes two branches of each where a step may have been either, and deals
// the members out to them.
func (f *Fit) split(bit int, moved float64) {
	switch {
	case f.steps[bit].Back && bit > 0:
		for i := range f.branches {
			f.branches[i].moved |= f.branches[i].moved >> (bit - 1) & 1 << bit
		}
		return
	case moved >= sureStep:
		for i := range f.branches {
			f.branches[i].moved |= 1 << bit
		}
		return
	case moved <= 1-sureStep:
		return
	}
	n := len(f.branches)
	for i := range n {
		b := f.branches[i]
		b.moved |= 1 << bit
		b.prior += math.Log(moved)
		f.branches[i].prior += math.Log1p(-moved)
		f.branches = append(f.branches, b)
	}
	for i := range f.members {
		m := &f.members[i]
		if i%2 == 0 {
			m.branch += uint8(n)
			m.weight += math.Log(2 * moved)
		} else {
			m.weight += math.Log(2 * (1 - moved))
		}
	}
}

// prune leaves the branches that hold at least a share of the weight, at most two,
// so that the next step may split them.
func (f *Fit) prune() {
	share := make([]float64, len(f.branches))
	for i, w := range f.shares() {
		share[f.members[i].branch] += w
	}
	for {
		worst, alive := -1, 0
		for i, s := range share {
			if s > 0 {
				alive++
				if worst < 0 || s < share[worst] {
					worst = i
				}
			}
		}
		if alive <= 2 && share[worst] > 0.02 || alive == 1 {
			break
		}
		share[worst] = 0
	}
	for i := range f.members {
		if m := &f.members[i]; share[m.branch] == 0 {
			m.weight = math.Inf(-1)
		}
	}
}

// compact drops the branches that have no member.
func (f *Fit) compact() {
	index := make([]uint8, len(f.branches))
	used := make([]bool, len(f.branches))
	for i := range f.members {
		used[f.members[i].branch] = true
	}
	kept := f.branches[:0:0]
	for i := range f.branches {
		if used[i] {
			index[i] = uint8(len(kept))
			kept = append(kept, f.branches[i])
		}
	}
	f.branches = kept
	for i := range f.members {
		f.members[i].branch = index[f.members[i].branch]
	}
}
