package planner

import (
	"math"
	"slices"
	"sort"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// Times in hours. Common practice, no source.
const (
	leastCold   = 8.0  // a shorter retard brings little
	mostCold    = 48.0 // IREKS Kompendium, 6.3.4: 0 to 5 C up to 48 h
	proofHours  = 100.0 / 60
	richProof   = 1.5       // times longer
	leastProof  = 75.0 / 60 // an oven must heat up meanwhile
	mostProof   = 4.0       // at 24 C
	coldShaping = 0.1       // the little that a cold dough does meanwhile, at 24 C
	mixHours    = 10.0 / 60 //
	reactHours  = 10.0 / 60 //
	mostLate    = 1.0       // the middle dough is not left standing past its mark for longer
	neverHours  = 48.0      //
	startStep   = 15 * time.Minute
	plannedLate = 0.8 // a night in the cold ends so that this share is ready in time
	evenChance  = 0.5 // below it nothing is offered
)

// strategy is one manner of doing it.
type strategy struct {
	name    string
	placeC  float64
	inoc    float64 // fermented flour, percent
	cold    bool    // a night in the refrigerator, shaped
	tub     bool    // a night in the refrigerator in the tub, shaped cold
	counter bool    // a night in the tub where it stands
}

// candidate is one strategy being worked out. Hours count from the start of mixing.
type candidate struct {
	Request
	strategy
	batch   bake.Batch   // with the levain of the strategy
	process bake.Process // its steps, whenever it begins
	kind    bake.Kind
	oven    bake.Oven
	all     ensemble
	paths   []path
	cooling bake.Spread

	shapeHours, ovenHours float64

	total  float64   // rise, as if left alone, at the oven
	stands float64   // rise that no bulk of it goes beyond
	goal   float64   // rise at the end of a bulk outside the cold
	needs  []float64 // equivalent hours that each dough has done at the oven
	carry  []float64 // equivalent hours that the cold still adds to each
	marks  []float64 // hours at which each should be acted upon: its bulk ends, or it goes into the cold
	warms  []path    // a piece shaped cold as it warms up
}

// build makes the batch, the doughs and their paths, none of which hang on when the
// bread is wanted.
func (c *candidate) build() {
	c.kind, c.batch = c.Batch.Kind(), c.Batch
	if b, err := c.Batch.WithInoculation(c.inoc); err == nil {
		c.batch = b
	}
	c.oven, c.cooling, c.total = c.batch.Oven(), c.batch.Cooling(), c.Batch.Total(c.placeC)
	c.stands = c.Batch.Stands()
	bakes := c.batch.Bakes()
	c.ovenHours = float64(bakes*(c.oven.Minutes()+1)+(bakes-1)*c.oven.BetweenMin) / 60
	c.process = c.laidProcess()
	c.shapeHours = c.shaping()
	c.all = newEnsemble(c.prior(c.inoc))
	c.goal = c.bulkGoal()
	c.needs, c.marks, c.paths, c.carry, c.warms = nil, nil, nil, nil, nil
	doughC := c.doughC()
	kg, pieceKg := c.kg()
	for i, d := range c.all.doughs {
		p := c.all.newPath(d, doughC, c.placeC, kg, pathHours)
		need := d.need(c.total)
		if math.IsInf(need, 1) {
			need = d.need(0.9 * d.ceiling) // it levels off short: as much as it gives
		}
		c.paths, c.needs, c.carry = append(c.paths, p), append(c.needs, need), append(c.carry, 0)
		switch in := p.temp(math.Min(p.hours(need), 6)); {
		case c.tub:
			c.warms = append(c.warms, c.all.newPath(d, kinetics.FridgeC+2, c.placeC, pieceKg, mostWarming))
			c.carry[i] = c.all.carry(d, in, kg)
		case c.cold:
			c.carry[i] = c.all.carry(d, in, pieceKg)
		}
		c.marks = append(c.marks, c.mark(i))
	}
}

// shaping is the time from the end of the bulk to the shaped loaf, hours.
func (c *candidate) shaping() float64 {
	sum, after := 0, false
	for _, d := range c.process.Defs {
		if after && d.Trigger == bake.ByClock {
			sum += d.TakesMin
		}
		after = after || d.ID == bake.BulkID
		if d.ID == bake.ShapeID {
			break
		}
	}
	return float64(sum) / 60
}

// bulkGoal is where the bulk of a bread without a night in the cold ends: what
// shaping and a usual proof leave of the whole work of the middle dough, never above
// the household's mark nor above what the dough stands.
func (c *candidate) bulkGoal() float64 {
	d := c.all.middle
	done := d.need(c.total) - (c.shapeHours + c.usualProof(d))
	end := math.Min(d.rise(math.Max(0.5, done)), c.stands)
	if c.TargetPercent > 0 {
		end = math.Min(end, c.TargetPercent)
	}
	if c.kind == bake.Rye {
		end = math.Min(end, bake.RyeRisePercent)
	}
	return math.Max(20, 5*math.Round(end/5))
}

// mark is when one dough should be acted upon, hours from the start.
func (c *candidate) mark(i int) float64 {
	p, need := c.paths[i], c.needs[i]-c.carry[i]
	switch {
	case c.tub:
		need -= coldShaping + c.usualProof(p.d)
	case !c.cold:
		bulk := p.d.need(c.goal)
		if need = c.needs[i]; math.IsInf(bulk, 1) || bulk > need {
			bulk = math.Max(0.5, need-c.shapeHours-c.usualProof(p.d))
		}
		need = bulk
	}
	return math.Min(neverHours, mixHours+p.hours(math.Max(0, need)))
}

// usualProof is the work of one dough's final proof, equivalent hours: a slow dough is
// slow there too, and a rich one takes its time.
func (c *candidate) usualProof(d dough) float64 {
	if c.kind == bake.Rich {
		return richProof * proofHours * d.slow
	}
	return proofHours * d.slow
}

// proof returns how long a dough proofs that has done so much before: until its work
// is done, within what is a proof at all. Equivalent hours, and hours by the clock.
func (c *candidate) proof(i int, done float64) (equiv, hours float64) {
	least := leastProof * math.Max(0.5, c.paths[i].end)
	equiv = math.Min(math.Max(c.needs[i]-done, least), mostProof)
	return equiv, c.proofClock(i, equiv)
}

// proofClock is the time by the clock of so much proof.
func (c *candidate) proofClock(i int, equiv float64) float64 {
	if c.tub {
		return math.Min(mostWarming, c.warms[i].hours(equiv))
	}
	return equiv / c.paths[i].end
}

// coolHours is one dough's cooling.
func (c *candidate) coolHours(d dough) float64 {
	sd := float64(c.cooling.HighMin-c.cooling.LowMin) / 60 / (2 * 1.2816)
	return math.Max(0.25, float64(c.cooling.MidMin)/60+sd*d.cool)
}

// trial is a candidate begun at a moment.
type trial struct {
	start    time.Time
	feeds    []bake.Feed
	out      time.Time // the loaf, or the tub, leaves the refrigerator
	bulkEnds []float64 // when the bulk is ended, or the dough put into the cold
	proofs   []float64 // hours of the final proof by the clock; none after a night of the loaf in the cold
	ready    []float64 // hours from start until the last loaf can be sliced
	shares   []float64 // work done at the oven, as a share of the wanted
	late     float64
	chance   float64
	score    float64
	end      float64 // rise of the middle dough when its bulk ends, percent
	process  bake.Process
	steps    []bake.Step
}

// trials returns the beginnings whose timetables ask for nobody's hands at night, what
// costs least first: one in every step up to the last that can be in time or, when none
// can, those that are ready soonest.
func (c *candidate) trials(step time.Duration) []trial {
	usual, most := median(c.marks)+c.shapeHours+c.ovenHours+float64(c.cooling.MidMin)/60, 18.0
	if c.cold || c.tub || c.counter {
		most = 30
	}
	first, last := bake.Later(c.Now, c.ReadyAt.Add(-bake.HoursOf(usual+most))), c.ReadyAt.Add(-bake.HoursOf(0.6*usual))
	var out []trial
	inTime := false
	for t := first.Truncate(startStep).Add(startStep); t.Before(last) || !inTime && t.Sub(c.Now) < 36*time.Hour && t.Before(c.ReadyAt.Add(24*time.Hour)); t = t.Add(step) {
		if c.home().Busy(t) {
			continue
		}
		if x, ok := c.try(t); ok {
			out = append(out, x)
			inTime = inTime || x.chance > 0
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].score < out[b].score })
	return out
}

// try works one beginning out; false when the starter cannot be ready, the cold would
// be too short or too long, hands were needed at night or the oven is taken.
func (c *candidate) try(start time.Time) (trial, bool) {
	feeds, ok := c.feeds(start, c.batch.Levain.Grams)
	n := len(c.paths)
	x := trial{start: start, feeds: feeds, bulkEnds: make([]float64, n), proofs: make([]float64, n), ready: make([]float64, n), shares: make([]float64, n)}
	if !ok || (c.cold || c.tub) && !c.leaveCold(&x) {
		return trial{}, false
	}
	for i := range c.paths {
		c.follow(&x, i)
	}
	bulk := median(x.bulkEnds)
	if overNight := c.lastBed(start.Add(bake.HoursOf(bulk) - bake.Grace)).After(start); overNight != c.counter {
		return trial{}, false // no night on the counter but where the strategy says so
	}
	if bulk > median(c.marks)+reactHours+mostLate {
		return trial{}, false
	}
	c.judge(&x)
	x.end = c.bulkEnd(&x)
	if c.possible(x.end) != nil {
		x.score += 10
		return x, true
	}
	x.process = c.processOf(&x)
	x.steps = c.layOut(x.process)
	return x, c.canBe(x.steps)
}

// judge says how likely a beginning is to come out right and in time, and what it costs.
func (c *candidate) judge(x *trial) {
	each := 1 / float64(len(c.paths))
	for i, h := range x.ready {
		inTime := !x.start.Add(bake.HoursOf(h)).After(c.ReadyAt)
		if !inTime {
			x.late += each
		} else if x.shares[i] >= bake.LowShare && x.shares[i] <= bake.HighShare {
			x.chance += each
		}
	}
	early := c.ReadyAt.Sub(x.start.Add(bake.HoursOf(median(x.ready)))).Hours()
	x.score = 1 - x.chance + 0.02*math.Abs(early-1)
	if c.asleep(x.start) {
		x.score += 0.1 // within the grace, but a bed is a bed
	}
	if early < 0 {
		x.score += 0.05 * -early
	}
}

// leaveCold sets when the refrigerator is left: so that the bread is ready in time,
// and when somebody is up to light the oven or shape the dough.
func (c *candidate) leaveCold(x *trial) bool {
	rest := make([]float64, len(c.paths))
	for i, p := range c.paths {
		rest[i] = c.ovenHours + c.coolHours(p.d)
		if c.tub {
			rest[i] += c.shapeHours + c.proofClock(i, c.usualProof(p.d))
		}
	}
	ahead := time.Duration(c.oven.HeatMin+10) * time.Minute
	if c.tub {
		ahead = 0
	}
	mark := x.start.Add(bake.HoursOf(median(c.marks)))
	out := c.ReadyAt.Add(-bake.HoursOf(quantile(rest, plannedLate))).Truncate(5 * time.Minute)
	out = bake.Later(out, mark.Add(bake.HoursOf(leastCold))) // however late that makes the bread
	x.out = c.nextFree(out.Add(-ahead)).Add(ahead)
	return x.out.Sub(mark).Hours() < mostCold && c.lastBed(x.out).After(mark.Add(-bake.Grace)) // a night lies between
}

// follow lets one dough go its way: acted upon at its mark when somebody is there, else
// before or after, whichever is nearer to right.
func (c *candidate) follow(x *trial, i int) {
	p := c.paths[i]
	h := math.Min(c.marks[i]+reactHours, neverHours)
	if c.cold || c.tub {
		last, _ := c.home().Free(x.out.Add(-bake.HoursOf(leastCold - 1)))
		h = math.Min(h, last.Sub(x.start).Hours())
	}
	h = c.whenFree(x, i, math.Max(h, c.leastBulk()))
	x.bulkEnds[i] = h
	done := c.done(i, h)
	if c.cold {
		x.shares[i] = c.share(i, h, done)
		x.ready[i] = x.out.Sub(x.start).Hours() + c.ovenHours + c.coolHours(p.d)
		return
	}
	if c.tub {
		h = x.out.Sub(x.start).Hours()
	}
	equiv, proof := c.proof(i, done)
	in := h + c.shapeHours + proof
	t := x.start.Add(bake.HoursOf(in))
	waits := c.nextFree(t).Sub(t).Hours()
	x.proofs[i] = proof
	x.shares[i] = c.share(i, x.bulkEnds[i], done+equiv+waits*p.end)
	x.ready[i] = in + waits + c.ovenHours + c.coolHours(p.d)
}

// leastBulk is the earliest a dough is acted upon: rest and salt come first, and
// shaping before the cold.
func (c *candidate) leastBulk() float64 {
	if c.cold {
		return mixHours + 1 + c.shapeHours
	}
	return mixHours + 1
}

// whenFree moves the end of a bulk out of the night and of the time away.
func (c *candidate) whenFree(x *trial, i int, h float64) float64 {
	t := x.start.Add(bake.HoursOf(h))
	b, a := c.home().Free(t)
	if a.Equal(t) {
		return h
	}
	before, after := b.Sub(x.start).Hours(), a.Sub(x.start).Hours()
	off := func(h float64) float64 {
		return math.Abs(math.Log((c.done(i, h) + 0.1) / (c.done(i, c.marks[i]) + 0.1)))
	}
	if before < c.leastBulk() || off(after) < off(before) {
		return after
	}
	return before
}

// done is the work, in equivalent hours, of a dough acted upon after h hours: with what
// the cold still adds, or with shaping.
func (c *candidate) done(i int, h float64) float64 {
	p := c.paths[i]
	e := p.equiv(h-mixHours) + c.carry[i]
	switch {
	case c.cold:
		return e
	case c.tub:
		return e + coldShaping
	}
	return e + p.equiv(h+c.shapeHours) - p.equiv(h)
}

// share is so much work as a share of the wanted, for a dough whose bulk ended after h
// hours. A bulk beyond what the dough stands is too much, whatever follows.
func (c *candidate) share(i int, h, done float64) float64 {
	d := c.paths[i].d
	s := math.Max(1e-3, d.rise(done)/math.Min(c.total, 0.9*d.ceiling))
	if !c.cold && !c.tub {
		s = math.Max(s, bake.HighShare*d.rise(c.paths[i].equiv(h-mixHours))/(bake.StandsShare*c.stands))
	}
	return s
}

// unseen is the share of a dough whose bulk ends by the timetable's clock, as does its
// proof.
func (c *candidate) unseen(i int, h, proof float64) float64 {
	done := c.done(i, h)
	switch {
	case c.tub:
		done += c.warms[i].equiv(proof)
	case !c.cold:
		done += proof * c.paths[i].end
	}
	return c.share(i, h, done)
}

// risk counts the doughs out of bounds.
func (c *candidate) risk(share func(i int) float64) Risk {
	var r Risk
	for i := range c.paths {
		switch s := share(i); {
		case s < bake.LowShare:
			r.Under += 1 / float64(len(c.paths))
		case s > bake.HighShare:
			r.Over += 1 / float64(len(c.paths))
		}
	}
	return r
}

// bulkEnd is the rise of the middle dough when the bulk ends.
func (c *candidate) bulkEnd(x *trial) float64 {
	before := 0.0
	switch {
	case c.cold:
		before = c.shapeHours
	case !c.tub:
		return c.goal
	}
	list := make([]float64, len(c.paths))
	for i, p := range c.paths {
		list[i] = p.d.rise(p.equiv(x.bulkEnds[i] - mixHours - before))
	}
	return math.Max(5, math.Round(median(list)))
}

// canBe reports whether somebody can lend a hand wherever a timetable asks for one, and
// the oven is free.
func (c *candidate) canBe(steps []bake.Step) bool {
	if span, ok := OvenSpan(steps); ok && c.ovenClash(span) {
		return false
	}
	return !slices.ContainsFunc(steps, func(s bake.Step) bool {
		return s.Hands && s.ID != bake.SliceID && (c.home().Busy(s.At) || s.Takes > 0 && c.home().Busy(s.At.Add(s.Takes)))
	})
}

// window reads a list of hours from the start as a window.
func (x *trial) window(list []float64) estimator.Window {
	at := func(q float64) time.Time { return x.start.Add(bake.HoursOf(quantile(list, q))).Round(time.Minute) }
	return estimator.Window{From: at(0.1), Median: at(0.5), Until: at(0.9)}
}
