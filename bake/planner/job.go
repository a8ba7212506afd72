package planner

import (
	"math"
	"sort"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// job is one way being worked out. Hours count from the start of mixing.
type job struct {
	w     Wish
	way   way
	kind  bake.Kind
	batch bake.Batch
	crowd crowd
	paths []path
	cool  bake.Spread

	mixHours, shapeHours, ovenHours float64
	heatMin                         int // the oven is lit so long before

	stands float64   // rise that no bulk of it goes beyond
	total  float64   // rise, as if left alone, at the oven
	goal   float64   // rise at the end of a bulk outside the cold
	needs  []float64 // equivalent hours that each dough has done then
	marks  []float64 // hours at which each should be acted upon: its bulk ends, or it goes into the cold
	carry  []carried // what the cold still adds
	warms  []path    // a piece shaped cold as it warms up
}

// build makes the batch, the crowd and its paths, none of which hang on when the
// bread is wanted.
func (j *job) build() {
	j.batch = j.w.Batch
	if b, err := j.w.Batch.WithInoculation(j.way.inoc); err == nil {
		j.batch = b
	}
	o, bakes := j.batch.Oven(), j.batch.Bakes()
	j.heatMin = o.HeatMin
	j.ovenHours = float64(bakes*(o.Minutes()+1)+(bakes-1)*o.BetweenMin) / 60
	j.mixHours, j.shapeHours = 10.0/60, float64(j.shapeMinutes())/60
	j.cool = j.batch.Cooling()
	prior, usualRate := j.w.prior(j.way.inoc)
	j.crowd = newCrowd(prior, usualRate, j.way.spot.SD)
	if j.total = j.w.TotalPercent; j.total == 0 {
		j.total = j.w.Batch.Total(j.way.spot.C)
	}
	j.stands = j.w.Batch.Stands()
	j.goal = j.bulkGoal()
	j.needs, j.marks, j.paths, j.carry, j.warms = nil, nil, nil, nil, nil
	for i, d := range j.crowd.doughs {
		p := j.crowd.newPath(d, j.w.DoughC, j.way.spot.C, j.w.massKg(), pathHours)
		need := d.need(j.total)
		if math.IsInf(need, 1) {
			need = d.need(0.9 * d.ceiling) // it levels off short: as much as it gives
		}
		j.paths, j.needs = append(j.paths, p), append(j.needs, need)
		if j.way.tub {
			j.warms = append(j.warms, j.crowd.newPath(d, math.Max(6, j.w.FridgeC+2), j.way.spot.C, j.w.loafKg(), mostWarming))
		}
		if j.way.cold || j.way.tub {
			j.carry = append(j.carry, j.carryOf(p))
		}
		j.marks = append(j.marks, j.mark(i))
	}
}

// shapeMinutes is the time from the end of the bulk to the shaped loaf.
func (j *job) shapeMinutes() int {
	sum, after := 0, false
	for _, d := range bake.NewProcess(j.batch, j.w.Now, 0).Defs {
		if after && d.Trigger == bake.ByClock && (d.ID != "bench-rest" || !j.way.tub) {
			sum += d.TakesMin
		}
		if d.ID == bake.BulkID {
			after = true
		}
		if d.ID == bake.ShapeID {
			break
		}
	}
	return sum
}

// bulkGoal is where the bulk of a bread without a night in the cold ends: what
// shaping and a usual proof leave of the whole work of the middle dough, never above
// the household's mark nor above what the dough stands.
func (j *job) bulkGoal() float64 {
	d := j.crowd.middle
	done := d.need(j.total) - (j.shapeHours + j.usualProof(d))
	end := math.Min(d.rise(math.Max(0.5, done)), j.stands)
	if j.w.TargetPercent > 0 {
		end = math.Min(end, j.w.TargetPercent)
	}
	if j.kind == bake.Rye {
		end = math.Min(end, bake.RyeRisePercent)
	}
	return math.Max(20, 5*math.Round(end/5))
}

// mark is when one dough should be acted upon, hours from the start.
func (j *job) mark(i int) float64 {
	p, need := j.paths[i], j.needs[i]
	switch {
	case j.way.tub:
		need -= coldShaping + j.usualProof(p.d)
		fallthrough
	case j.way.cold:
		h := j.mixHours + p.hours(math.Max(0, need-j.carry[i].at(6)))
		if !math.IsInf(h, 1) {
			h = j.mixHours + p.hours(math.Max(0, need-j.carry[i].at(h)))
		}
		return math.Min(neverHours, h)
	}
	bulk := p.d.need(j.goal)
	if math.IsInf(bulk, 1) || bulk > need {
		bulk = math.Max(0.5, need-j.shapeHours-j.usualProof(p.d))
	}
	return math.Min(neverHours, j.mixHours+p.hours(bulk))
}

// coldShaping is the little that a cold dough does while it is shaped, equivalent hours.
const coldShaping = 0.1

// usualProof is the work of one dough's final proof, equivalent hours: a slow dough is
// slow there too, and a rich one takes its time.
func (j *job) usualProof(d dough) float64 {
	h := proofHours * d.slow
	if j.kind == bake.Rich {
		h *= richProof
	}
	return h
}

// richProof is how much longer a rich dough proofs. Common practice, no source.
const richProof = 1.5

// proof returns how long a dough proofs that has done so much before: until its work
// is done, within what is a proof at all. Equivalent hours, and hours by the clock.
func (j *job) proof(i int, done float64) (equiv, hours float64) {
	least := leastProof * math.Max(0.5, j.speed(i))
	equiv = math.Min(math.Max(j.needs[i]-done, least), mostProof)
	return equiv, j.proofClock(i, equiv)
}

// proofClock is the time by the clock of so much proof.
func (j *job) proofClock(i int, equiv float64) float64 {
	if j.way.tub {
		return math.Min(mostWarming, j.warms[i].hours(equiv))
	}
	return equiv / j.speed(i)
}

// speed is how fast a dough works where it stands.
func (j *job) speed(i int) float64 { return j.paths[i].end }

// coolHours is one dough's cooling.
func (j *job) coolHours(d dough) float64 {
	sd := float64(j.cool.HighMin-j.cool.LowMin) / 60 / (2 * 1.2816)
	return math.Max(0.25, float64(j.cool.MidMin)/60+sd*d.cool)
}

// trial is a way begun at a moment.
type trial struct {
	start  time.Time
	feeds  []bake.Feed
	out    time.Time // the loaf, or the tub, leaves the refrigerator
	acts   []float64 // when the bulk is ended, or the dough put into the cold
	proofs []float64 // hours of the final proof by the clock; none after a night of the loaf in the cold
	ready  []float64 // hours from start until the last loaf can be sliced
	shares []float64 // work done at the oven, as a share of the wanted
	late   float64
	chance float64
	score  float64
}

// trials returns the beginnings that ask for nobody's hands at night, what costs
// least first: one in every step up to the last that can be in time or, when none
// can, those that are ready soonest.
func (j *job) trials(step time.Duration) []trial {
	usual, most := median(j.marks)+j.shapeHours+j.ovenHours+float64(j.cool.MidMin)/60, 18.0
	if j.way.cold || j.way.tub || j.way.counter {
		most = 30
	}
	first, last := later(j.w.Now, j.w.ReadyAt.Add(-hoursOf(usual+most))), j.w.ReadyAt.Add(-hoursOf(0.6*usual))
	var out []trial
	inTime := false
	for t := first.Truncate(startStep).Add(startStep); t.Before(last) || !inTime && t.Sub(j.w.Now) < 36*time.Hour && t.Before(j.w.ReadyAt.Add(24*time.Hour)); t = t.Add(step) {
		if j.w.busy(t) {
			continue
		}
		if c, ok := j.try(t); ok {
			out = append(out, c)
			inTime = inTime || c.chance > 0
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].score < out[b].score })
	return out
}

// try works one beginning out; false when the starter cannot be ready, the cold would
// be too short or too long, hands were needed at night or the oven is taken.
func (j *job) try(start time.Time) (trial, bool) {
	feeds, ok := j.w.feeds(start, j.batch.Levain.Grams)
	if !ok {
		return trial{}, false
	}
	n := len(j.paths)
	c := trial{start: start, feeds: feeds, acts: make([]float64, n), proofs: make([]float64, n), ready: make([]float64, n), shares: make([]float64, n)}
	if (j.way.cold || j.way.tub) && !j.leaveCold(&c) {
		return trial{}, false
	}
	for i := range j.paths {
		j.follow(&c, i)
	}
	act := median(c.acts)
	if overNight := j.w.lastBed(start.Add(hoursOf(act) - grace*time.Minute)).After(start); overNight != j.way.counter {
		return trial{}, false // no night on the counter but where the way says so
	}
	if act > median(j.marks)+reactHours+mostLate {
		return trial{}, false
	}
	if j.atNight(&c, act) || j.ovenTaken(&c, act) {
		return trial{}, false
	}
	for i, h := range c.ready {
		inTime := !start.Add(hoursOf(h)).After(j.w.ReadyAt)
		right := c.shares[i] >= lowShare && c.shares[i] <= highShare
		if !inTime {
			c.late += 1 / float64(n)
		}
		if inTime && right {
			c.chance += 1 / float64(n)
		}
	}
	early := j.w.ReadyAt.Sub(start.Add(hoursOf(median(c.ready)))).Hours()
	c.score = 1 - c.chance + 0.02*math.Abs(early-1)
	if j.w.asleep(start) {
		c.score += 0.1 // within the grace, but a bed is a bed
	}
	if early < 0 {
		c.score += 0.05 * -early
	}
	return c, true
}

// leaveCold sets when the refrigerator is left: so that the bread is ready in time,
// and when somebody is up to light the oven or shape the dough.
func (j *job) leaveCold(c *trial) bool {
	rest := make([]float64, len(j.paths))
	for i, p := range j.paths {
		rest[i] = j.ovenHours + j.coolHours(p.d)
		if j.way.tub {
			rest[i] += j.shapeHours + j.proofClock(i, j.usualProof(p.d))
		}
	}
	ahead := time.Duration(j.heatMin+10) * time.Minute
	if j.way.tub {
		ahead = 0
	}
	mark := c.start.Add(hoursOf(median(j.marks)))
	out := j.w.ReadyAt.Add(-hoursOf(quantile(rest, plannedLate))).Truncate(5 * time.Minute)
	out = later(out, mark.Add(hoursOf(leastCold))) // however late that makes the bread
	c.out = j.w.nextFree(out.Add(-ahead)).Add(ahead)
	return c.out.Sub(mark).Hours() < mostCold && j.w.lastBed(c.out).After(mark.Add(-grace*time.Minute)) // a night lies between
}

// follow lets one dough of the crowd go its way: acted upon at its mark when
// somebody is there, else before or after, whichever is nearer to right.
func (j *job) follow(c *trial, i int) {
	p := j.paths[i]
	h := math.Min(j.marks[i]+reactHours, neverHours)
	if j.way.cold || j.way.tub {
		last := j.w.lastFree(c.out.Add(-hoursOf(leastCold - 1)))
		h = math.Min(h, last.Sub(c.start).Hours())
	}
	h = j.free(c, i, math.Max(h, j.leastAct()))
	c.acts[i] = h
	done := j.done(i, h)
	switch {
	case j.way.cold:
		c.shares[i] = j.share(i, h, done)
		c.ready[i] = c.out.Sub(c.start).Hours() + j.ovenHours + j.coolHours(p.d)
		return
	case j.way.tub:
		h = c.out.Sub(c.start).Hours()
	}
	equiv, proof := j.proof(i, done)
	in := h + j.shapeHours + proof
	t := c.start.Add(hoursOf(in))
	waits := j.w.nextFree(t).Sub(t).Hours()
	c.proofs[i] = proof
	c.shares[i] = j.share(i, c.acts[i], done+equiv+waits*j.speed(i))
	c.ready[i] = in + waits + j.ovenHours + j.coolHours(p.d)
}

// leastAct is the earliest a dough is acted upon: rest and salt come first, and
// shaping before the cold.
func (j *job) leastAct() float64 {
	if j.way.cold {
		return j.mixHours + 1 + j.shapeHours
	}
	return j.mixHours + 1
}

// free moves an act out of the night and of the time away.
func (j *job) free(c *trial, i int, h float64) float64 {
	t := c.start.Add(hoursOf(h))
	if !j.w.asleep(t) && !j.w.away(t) {
		return h
	}
	after, before := j.w.nextFree(t).Sub(c.start).Hours(), j.w.lastFree(t).Sub(c.start).Hours()
	off := func(h float64) float64 {
		return math.Abs(math.Log((j.done(i, h) + 0.1) / (j.done(i, j.marks[i]) + 0.1)))
	}
	if before < j.leastAct() || off(after) < off(before) {
		return after
	}
	return before
}

// done is the work, in equivalent hours, of a dough acted upon after h hours: with what
// the cold still adds, or with shaping.
func (j *job) done(i int, h float64) float64 {
	p := j.paths[i]
	e := p.equiv(h - j.mixHours)
	switch {
	case j.way.cold:
		return e + j.carry[i].at(h)
	case j.way.tub:
		return e + j.carry[i].at(h) + coldShaping
	}
	return e + p.equiv(h+j.shapeHours) - p.equiv(h)
}

// share is so much work as a share of the wanted, for a dough whose bulk ended after h
// hours. A bulk beyond what the dough stands is too much, whatever follows.
func (j *job) share(i int, h, done float64) float64 {
	d := j.paths[i].d
	s := math.Max(1e-3, d.rise(done)/math.Min(j.total, 0.9*d.ceiling))
	if !j.way.cold && !j.way.tub {
		s = math.Max(s, highShare*d.rise(j.paths[i].equiv(h-j.mixHours))/(1.1*j.stands))
	}
	return s
}

// unseen is the share of a dough whose bulk ends by the timetable's clock, as does its
// proof.
func (j *job) unseen(i int, h, proof float64) float64 {
	done := j.done(i, h)
	switch {
	case j.way.tub:
		done += j.warms[i].equiv(proof)
	case !j.way.cold:
		done += proof * j.speed(i)
	}
	return j.share(i, h, done)
}

// risk counts the doughs out of bounds.
func (j *job) risk(share func(i int) float64) Risk {
	var r Risk
	for i := range j.paths {
		switch s := share(i); {
		case s < lowShare:
			r.Under += 1 / float64(len(j.paths))
		case s > highShare:
			r.Over += 1 / float64(len(j.paths))
		}
	}
	return r
}

// atNight reports whether a beginning asks for hands while nobody can lend one, with
// the middle dough.
func (j *job) atNight(c *trial, act float64) bool {
	bulkEnd := act
	if j.way.cold {
		bulkEnd = act - j.shapeHours
	}
	in := j.intoOven(c, act)
	hours := []float64{0, 0.67, bulkEnd, bulkEnd + j.shapeHours, in - float64(j.heatMin+10)/60, in, in + j.ovenHours}
	if j.way.tub {
		out := c.out.Sub(c.start).Hours()
		hours[3] = bulkEnd
		hours = append(hours, out, out+j.shapeHours)
	}
	if j.kind != bake.Rye {
		for k := range 4 {
			if h := 1.25 + 0.55*float64(k); h < bulkEnd-0.75 {
				hours = append(hours, h)
			}
		}
	}
	for _, h := range hours {
		if j.w.busy(c.start.Add(hoursOf(h))) {
			return true
		}
	}
	return false
}

// intoOven is when the middle dough goes into the oven.
func (j *job) intoOven(c *trial, act float64) float64 {
	switch {
	case j.way.cold:
		return c.out.Sub(c.start).Hours()
	case j.way.tub:
		act = c.out.Sub(c.start).Hours()
	}
	return act + j.shapeHours + median(c.proofs)
}

// ovenTaken reports whether another bake has the oven while this one wants it.
func (j *job) ovenTaken(c *trial, act float64) bool {
	in := c.start.Add(hoursOf(j.intoOven(c, act)))
	return j.w.ovenClash(Span{in.Add(-time.Duration(j.heatMin) * time.Minute), in.Add(hoursOf(j.ovenHours))})
}

// window reads a list of hours from the start as a window.
func (c *trial) window(list []float64) estimator.Window {
	l := append([]float64(nil), list...)
	at := func(q float64) time.Time { return c.start.Add(hoursOf(quantile(l, q))).Round(time.Minute) }
	return estimator.Window{From: at(0.1), Median: at(0.5), Until: at(0.9)}
}

// hoursOf turns hours into a duration of whole seconds.
func hoursOf(h float64) time.Duration { return time.Duration(math.Round(h*3600)) * time.Second }
