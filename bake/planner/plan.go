package planner

import (
	"fmt"
	"math"
	"sort"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Risk is the chance of a rise outside the right bounds.
type Risk struct{ Under, Over float64 }

// Miss is the chance of either.
func (r Risk) Miss() float64 { return r.Under + r.Over }

// Plan is one way to the bread.
type Plan struct {
	Name    string
	Process bake.Process // ready to be adopted: its steps follow the live forecast
	Steps   []bake.Step  // the whole timetable from feeding to slicing
	Feed    *bake.Feed   // the first feed it needs; nil when the starter is ripe
	Ready   estimator.Window
	Late    float64 // chance of not being ready by the wished time
	Chance  float64 // chance of a bread that is right and in time, watched
	Clock   Risk    // when the bulk ends by the timetable's clock, unseen
	Watched Risk    // when it ends by the sensor, as far as people are awake and at home
	Night   []string
	Notes   []string
	Fits    bool   // it can be offered: an even chance at least, and nobody gets up for it
	Why     string // why it does not fit; empty when it does

	BulkEndPercent     float64 // the rise at which to end the bulk
	InoculationPercent float64

	early float64 // hours that the bread waits, most likely
	tub   bool    // the whole tub in the cold: its end is harder to hit than a loaf's
}

// Times in hours. Common practice, no source.
const (
	leastCold   = 8.0  // a shorter retard brings little
	mostCold    = 48.0 // IREKS Kompendium, 6.3.4: 0 to 5 C up to 48 h
	carryHours  = 16.0 // what the cold still adds is counted over these hours
	proofHours  = 100.0 / 60
	leastProof  = 75.0 / 60 // an oven must heat up meanwhile
	reactHours  = 10.0 / 60
	neverHours  = 48.0
	warmLimit   = 2.0 // milk or egg between 4 and 60 C (USDA FSIS, in press reports)
	startStep   = 15 * time.Minute
	plannedLate = 0.8 // a night in the cold ends so that this share is ready in time
	evenChance  = 0.5 // below it nothing is offered
	freshHours  = 4.0 // a bread may lie so long before it counts against a plan; this project's choice
)

// Make plans the wish in every way that applies and returns them best first: those
// that fit before those that do not, then by what they risk, how often they wake
// somebody and how long the bread would lie. When none fits the first says from when
// on one would.
func Make(w Wish) ([]Plan, error) {
	w = w.withDefaults()
	if err := w.Validate(); err != nil {
		return nil, err
	}
	jobs := w.jobs()
	var out []Plan
	for _, j := range jobs {
		if p, ok := j.plan(); ok {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score() < out[j].score() })
	if len(out) > 0 && !out[0].Fits {
		out[0].Why = joinedWith(out[0].Why, soonest(w, jobs))
	}
	return out, nil
}

// soonest says from when on a way would fit.
func soonest(w Wish, jobs []*job) string {
	for at := w.ReadyAt.Truncate(time.Hour).Add(time.Hour); at.Sub(w.ReadyAt) < 36*time.Hour; at = at.Add(time.Hour) {
		if w.asleep(at) {
			continue
		}
		for _, j := range jobs {
			if j.way.counter || j.refused() != "" {
				continue
			}
			try := *j
			try.w.ReadyAt = at
			if c, ok := try.best(); ok && try.fits(c) {
				return fmt.Sprintf("%s is too tight; from about %s it would be good (%s).", bake.Stamp(w.ReadyAt), bake.Stamp(at), j.way.name)
			}
		}
	}
	return ""
}

// score is what a plan costs, in chances.
func (p Plan) score() float64 {
	s := 1 - p.Chance + 0.15*float64(len(p.Night)) + 0.02*math.Max(0, p.early-freshHours)
	if p.tub {
		s += 0.05
	}
	if !p.Fits {
		s += 10
	}
	if len(p.Steps) == 0 {
		s += 10
	}
	return s
}

// way is one manner of doing it.
type way struct {
	name    string
	spot    Place
	inoc    float64 // fermented flour, percent
	cold    bool    // a night in the refrigerator, shaped
	tub     bool    // a night in the refrigerator in the tub, shaped cold
	counter bool    // a night on the counter with less levain
}

// ways lists what the household can do with this dough. A paste of rye is neither
// kept cold nor left for a night.
func (w Wish) ways() []way {
	n, _ := w.Batch.Numbers()
	full := n.InoculationPercent
	out := []way{{name: "same day, " + w.Room.Name, spot: w.Room, inoc: full}}
	if w.Warm.C != 0 {
		out = append(out, way{name: "same day, " + w.Warm.Name, spot: w.Warm, inoc: full})
	}
	if w.Batch.Kind() == bake.Rye {
		return out
	}
	if !w.NoFridge {
		out = append(out, way{name: "overnight in the refrigerator", spot: w.Room, inoc: full, cold: true})
		if w.Warm.C != 0 {
			out = append(out, way{name: "overnight in the refrigerator, bulk " + w.Warm.Name, spot: w.Warm, inoc: full, cold: true})
		}
		out = append(out, way{name: "half the levain, overnight in the refrigerator", spot: w.Room, inoc: full / 2, cold: true},
			way{name: "the tub overnight in the refrigerator, shaped cold", spot: w.Room, inoc: full, tub: true})
	}
	return append(out, way{name: "less levain, the night " + w.Room.Name, spot: w.Room, inoc: full, counter: true})
}

// job is one way being worked out. Hours count from the start of mixing.
type job struct {
	w     Wish
	way   way
	batch bake.Batch
	crowd crowd
	paths []path
	cool  bake.Spread

	mixHours, shapeHours, ovenHours float64
	heatMin                         int // the oven is lit so long before

	marks  []float64 // hours at which each dough should be acted upon: its bulk ends, or it goes into the cold
	proofs []float64 // equivalent hours of the final proof of each
	carry  []carried // what the cold still adds
}

// jobs prepares every way; those that make no sense are left out.
func (w Wish) jobs() []*job {
	var out []*job
	for _, y := range w.ways() {
		j := &job{w: w, way: y}
		if y.counter && !j.chooseLevain() {
			continue
		}
		j.build()
		out = append(out, j)
	}
	return out
}

// build makes the batch, the crowd and its paths, none of which hang on when the
// bread is wanted.
func (j *job) build() {
	j.batch = j.w.Batch
	if b, err := j.w.Batch.WithInoculation(j.way.inoc); err == nil {
		j.batch = b
	}
	o := j.batch.Oven()
	bakes := j.batch.Bakes()
	j.heatMin = o.HeatMin
	j.ovenHours = float64(bakes*(o.Minutes()+4)+(bakes-1)*o.BetweenMin) / 60
	j.mixHours, j.shapeHours = 10.0/60, float64(j.shapeMinutes())/60
	n, _ := j.batch.Numbers()
	j.cool, _ = bake.CoolingByMass(n.PerLoafG, j.batch.RyePercent())
	j.crowd = newCrowd(j.w.prior(j.way.inoc), j.way.spot.SD)
	j.paths = make([]path, len(j.crowd.doughs))
	j.marks, j.proofs, j.carry = make([]float64, len(j.paths)), make([]float64, len(j.paths)), make([]carried, len(j.paths))
	end := j.bulkGoal()
	for i, d := range j.crowd.doughs {
		j.paths[i] = j.crowd.newPath(d, j.w.DoughC, j.way.spot.C, j.w.massKg())
		j.carry[i] = j.carryOf(j.paths[i])
		j.marks[i], j.proofs[i] = j.mark(i, end)
	}
}

// shapeMinutes is the time from the end of the bulk to the shaped loaf.
func (j *job) shapeMinutes() int {
	sum, after := 0, false
	for _, d := range bake.NewProcess(j.batch, j.w.Now, 0).Defs {
		if after && d.Trigger == bake.ByClock && d.ID != "bench-rest" || after && d.ID == "bench-rest" && !j.way.tub {
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
	done := d.need(j.w.TotalPercent) - (j.shapeHours + proofHours*j.crowd.speed(d, 24))
	end := math.Min(d.rise(math.Max(0.5, done)), j.w.Batch.Stands())
	if j.w.TargetPercent > 0 {
		end = math.Min(end, j.w.TargetPercent)
	}
	if j.batch.Kind() == bake.Rye {
		end = math.Min(end, bake.RyeRisePercent)
	}
	return math.Max(20, 5*math.Round(end/5))
}

// mark is when one dough should be acted upon, hours from the start, and how long
// its proof is then.
func (j *job) mark(i int, end float64) (at, proof float64) {
	p := j.paths[i]
	total := p.d.need(j.w.TotalPercent)
	if math.IsInf(total, 1) {
		total = p.d.need(0.9 * p.d.ceiling) // it levels off short: as much as it gives
	}
	if j.way.cold || j.way.tub {
		rest := 0.0
		if j.way.tub {
			rest = j.coldProof(p) + 0.1 // shaped cold, it works little meanwhile
		}
		return math.Min(neverHours, j.intoCold(i, total-rest)), proofHours
	}
	bulk := p.d.need(end)
	if math.IsInf(bulk, 1) || bulk > total {
		bulk = math.Max(0.5, total-j.shapeHours-proofHours)
	}
	h := math.Min(neverHours, j.mixHours+p.hours(bulk))
	shaping := p.equiv(h+j.shapeHours) - p.equiv(h)
	return h, math.Max(leastProof*j.crowd.speed(p.d, p.place), total-bulk-shaping)
}

// coldProof is the work of the last proof of a dough that was shaped cold: as in the
// usual proof, equivalent hours.
func (j *job) coldProof(p path) float64 { return proofHours * p.d.slow }

// coldProofHours is how long that takes on the clock: the piece warms up first.
func (j *job) coldProofHours(p path) float64 {
	q := j.crowd.newPath(p.d, math.Max(6, j.w.FridgeC+2), j.way.spot.C, j.w.loafKg())
	return math.Min(12, q.hours(j.coldProof(p)))
}

// coolHours is one dough's cooling.
func (j *job) coolHours(d dough) float64 {
	sd := float64(j.cool.HighMin-j.cool.LowMin) / 60 / (2 * 1.2816)
	return math.Max(0.25, float64(j.cool.MidMin)/60+sd*d.cool)
}

// counterStart leaves time for mixing and folding before the last bedtime.
func (j *job) counterStart() time.Time {
	return j.w.lastBed(onDay(j.w.ReadyAt, j.w.WakeMin)).Add(-3 * time.Hour)
}

// chooseLevain finds the levain with which the middle dough is at its mark half an
// hour after waking; false when that is no less than the batch's own, or less than
// can be weighed.
func (j *job) chooseLevain() bool {
	wake, start, full := onDay(j.w.ReadyAt, j.w.WakeMin), j.counterStart(), j.way.inoc
	if start.Before(j.w.Now) || !wake.After(start) {
		return false
	}
	want := wake.Sub(start).Hours() + 0.5
	low, high := 0.5, 0.9*full
	at := func(inoc float64) float64 {
		j.way.inoc = inoc
		j.build()
		return quantile(append([]float64(nil), j.marks...), 0.5)
	}
	if at(high) > want || at(low) < want {
		return false
	}
	for range 8 {
		if mid := math.Sqrt(low * high); at(mid) > want {
			low = mid
		} else {
			high = mid
		}
	}
	return true
}

// trial is a way begun at a moment.
type trial struct {
	start  time.Time
	feeds  []bake.Feed
	out    time.Time // the loaf, or the tub, leaves the refrigerator
	acts   []float64 // when the bulk is ended, or the dough put into the cold
	ready  []float64 // hours from start until the last loaf can be sliced
	shares []float64 // work done at the oven, as a share of the wanted
	late   float64
	chance float64
	night  int
	score  float64
}

// best tries every quarter of an hour and returns the beginning that costs least.
func (j *job) best() (trial, bool) {
	usual, most := j.median(j.marks)+j.shapeHours+j.ovenHours+float64(j.cool.MidMin)/60, 8.0
	if j.way.cold || j.way.tub {
		most = 30
	}
	first, last := later(j.w.Now, j.w.ReadyAt.Add(-hoursOf(usual+most))), j.w.ReadyAt.Add(-hoursOf(0.6*usual))
	if j.way.counter {
		first = later(first, j.counterStart().Add(-15*time.Minute))
	}
	var best trial
	for t := first.Truncate(startStep).Add(startStep); t.Before(last); t = t.Add(startStep) {
		if j.way.counter && t.After(j.counterStart().Add(15*time.Minute)) {
			break
		}
		if j.w.busy(t) {
			continue
		}
		c, ok := j.try(t)
		if ok && (best.start.IsZero() || c.score < best.score) {
			best = c
		}
	}
	if best.start.IsZero() || best.chance == 0 { // as soon as can be, however late that is
		for t := j.w.Now.Truncate(startStep).Add(startStep); t.Sub(j.w.Now) < 36*time.Hour; t = t.Add(startStep) {
			if c, ok := j.try(t); ok && !j.w.busy(t) {
				if best.start.IsZero() || c.score < best.score {
					best = c
				}
				if c.night == 0 {
					break
				}
			}
		}
	}
	return best, !best.start.IsZero()
}

// try works one beginning out; false when the starter cannot be ready, or the cold
// would be too short or too long.
func (j *job) try(start time.Time) (trial, bool) {
	feeds, ok := j.w.feeds(start, j.batch.Levain.Grams)
	if !ok {
		return trial{}, false
	}
	c := trial{start: start, feeds: feeds, acts: make([]float64, len(j.paths)), ready: make([]float64, len(j.paths)), shares: make([]float64, len(j.paths))}
	if (j.way.cold || j.way.tub) && !j.leaveCold(&c) {
		return trial{}, false
	}
	for i := range j.paths {
		j.follow(&c, i)
	}
	if mid := start.Add(hoursOf(j.median(c.acts))); !j.way.counter && !j.way.cold && !j.way.tub && j.w.lastBed(mid).After(start) {
		return trial{}, false // no night on a warm counter: that is another way
	}
	for i, h := range c.ready {
		inTime := !start.Add(hoursOf(h)).After(j.w.ReadyAt)
		right := c.shares[i] >= lowShare && c.shares[i] <= highShare
		if !inTime {
			c.late += 1 / float64(len(c.ready))
		}
		if inTime && right {
			c.chance += 1 / float64(len(c.ready))
		}
	}
	c.night = j.nightHands(&c)
	early := j.w.ReadyAt.Sub(start.Add(hoursOf(j.median(c.ready)))).Hours()
	c.score = 1 - c.chance + 0.5*float64(c.night) + 0.02*math.Abs(early-1)
	if j.w.asleep(start) {
		c.score += 0.1 // within the grace, but a bed is a bed
	}
	if early < 0 {
		c.score += 0.05 * -early
	}
	return c, true
}

// median of hours that stay where they are.
func (j *job) median(list []float64) float64 {
	return quantile(append([]float64(nil), list...), 0.5)
}

// leaveCold sets when the refrigerator is left: so that the bread is ready in time,
// and when somebody is up to light the oven or shape the dough.
func (j *job) leaveCold(c *trial) bool {
	rest := make([]float64, len(j.paths))
	for i, p := range j.paths {
		rest[i] = j.ovenHours + j.coolHours(p.d)
		if j.way.tub {
			rest[i] += j.shapeHours + j.coldProofHours(p)
		}
	}
	c.out = j.w.ReadyAt.Add(-hoursOf(quantile(rest, plannedLate))).Truncate(5 * time.Minute)
	ahead := time.Duration(j.heatMin+10) * time.Minute
	if j.way.tub {
		ahead = 0
	}
	c.out = j.w.nextFree(c.out.Add(-ahead)).Add(ahead)
	cold := c.out.Sub(c.start).Hours() - j.median(j.marks)
	return cold > leastCold-1 && cold < mostCold
}

// follow lets one dough of the crowd go its way: acted upon at its mark when
// somebody is there, else before or after, whichever is nearer to right.
func (j *job) follow(c *trial, i int) {
	p := j.paths[i]
	h := math.Min(j.marks[i]+reactHours, neverHours)
	if j.way.cold || j.way.tub {
		last := c.out.Add(-hoursOf(leastCold))
		if j.w.asleep(last) {
			last = j.w.lastFree(last)
		}
		h = math.Min(h, last.Sub(c.start).Hours())
	}
	c.acts[i] = j.free(c, i, math.Max(h, j.leastAct()))
	switch {
	case j.way.cold:
		c.shares[i] = j.share(i, c.acts[i], 0)
		c.ready[i] = c.out.Sub(c.start).Hours() + j.ovenHours + j.coolHours(p.d)
	case j.way.tub:
		c.shares[i] = j.share(i, c.acts[i], 0)
		c.ready[i] = c.out.Sub(c.start).Hours() + j.shapeHours + j.coldProofHours(p) + j.ovenHours + j.coolHours(p.d)
	default:
		proof := j.proofs[i] / j.crowd.speed(p.d, p.place)
		in := c.acts[i] + j.shapeHours + proof
		t := c.start.Add(hoursOf(in))
		waits := j.w.nextFree(t).Sub(t).Hours()
		c.shares[i] = j.share(i, c.acts[i], waits)
		c.ready[i] = in + waits + j.ovenHours + j.coolHours(p.d)
	}
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
	if before < j.leastAct() || math.Abs(math.Log(j.share(i, after, 0))) < math.Abs(math.Log(j.share(i, before, 0))) {
		return after
	}
	return before
}

// share is the work, as a share of the wanted, of a dough acted upon after h hours:
// with what the cold still adds, or with shaping, its own proof and so many hours
// that it waits for the oven.
func (j *job) share(i int, h, waits float64) float64 {
	p := j.paths[i]
	e := p.equiv(h - j.mixHours)
	switch {
	case j.way.cold:
		e += j.carry[i].at(h)
	case j.way.tub:
		e += j.carry[i].at(h) + j.coldProof(p) + 0.1
	default:
		e += p.equiv(h+j.shapeHours) - p.equiv(h) + j.proofs[i] + waits*j.crowd.speed(p.d, p.place)
	}
	goal := math.Min(j.w.TotalPercent, 0.9*p.d.ceiling)
	return math.Max(1e-3, p.d.rise(e)/goal)
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

// nightHands counts the hands that a beginning asks for while nobody can lend one,
// with the middle dough.
func (j *job) nightHands(c *trial) int {
	at := func(h float64) time.Time { return c.start.Add(hoursOf(h)) }
	act := j.median(c.acts)
	bulkEnd, in := act, act+j.shapeHours+j.medianProof()
	if j.way.cold {
		bulkEnd, in = act-j.shapeHours, c.out.Sub(c.start).Hours()
	}
	times := []time.Time{c.start, at(0.67), at(bulkEnd), at(bulkEnd + j.shapeHours)}
	if j.way.tub {
		out := c.out.Sub(c.start).Hours()
		in = out + j.shapeHours + j.median(j.coldProofs())
		times = append(times, c.out, at(out+j.shapeHours))
	}
	for k := range 4 {
		if h := 1.25 + 0.55*float64(k); h < bulkEnd-0.75 && j.batch.Kind() != bake.Rye {
			times = append(times, at(h))
		}
	}
	times = append(times, at(in).Add(-time.Duration(j.heatMin+10)*time.Minute), at(in), at(in+j.ovenHours))
	for _, f := range c.feeds {
		times = append(times, f.At)
	}
	n := 0
	for _, t := range times {
		if j.w.busy(t) {
			n++
		}
	}
	return n
}

func (j *job) medianProof() float64 {
	list := make([]float64, len(j.paths))
	for i, p := range j.paths {
		list[i] = j.proofs[i] / j.crowd.speed(p.d, p.place)
	}
	return quantile(list, 0.5)
}

func (j *job) coldProofs() []float64 {
	list := make([]float64, len(j.paths))
	for i, p := range j.paths {
		list[i] = j.coldProofHours(p)
	}
	return list
}

// fits reports whether a beginning can be offered.
func (j *job) fits(c trial) bool { return c.chance >= evenChance && c.night == 0 }

// window reads a list of hours from the start as a window.
func (c *trial) window(list []float64) estimator.Window {
	l := append([]float64(nil), list...)
	at := func(q float64) time.Time { return c.start.Add(hoursOf(quantile(l, q))).Round(time.Minute) }
	return estimator.Window{From: at(0.1), Median: at(0.5), Until: at(0.9)}
}

// hoursOf turns hours into a duration of whole seconds.
func hoursOf(h float64) time.Duration { return time.Duration(math.Round(h*3600)) * time.Second }

// joinedWith puts two sentences together.
func joinedWith(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + " " + b
}
