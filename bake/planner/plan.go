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
	Feed    *bake.Feed   // the feed it needs; nil when the starter is ripe
	Ready   estimator.Window
	Late    float64 // chance of not being ready by the wished time
	Clock   Risk    // when the bulk ends by the timetable's clock, unseen
	Watched Risk    // when it ends by the sensor, as far as people are awake
	Night   []string
	Notes   []string
	Fits    bool
	Why     string // why it does not fit; empty when it does

	early float64 // hours that the bread waits, most likely

	BulkEndPercent     float64 // the rise at which to end the bulk
	InoculationPercent float64
}

// Work times in hours. Common practice, no source.
const (
	mixHours    = 10.0 / 60
	shapeHours  = 40.0 / 60 // divide, bench rest, shape
	proofHours  = 100.0 / 60
	bakeHours   = 44.0 / 60
	leastCold   = 8.0  // a shorter retard brings little
	mostCold    = 48.0 // IREKS Kompendium, 6.3.4: 0 to 5 C up to 48 h
	carryHours  = 16.0 // what the cold still adds is counted over these hours
	reactHours  = 10.0 / 60
	neverHours  = 48.0
	plannedLate = 0.8 // the start is set so that this share is ready in time
)

// Make plans the wish in every way that applies and returns them best first:
// those that fit before those that do not, then by what they risk, how often they
// wake somebody and how long the bread would lie.
func Make(w Wish) ([]Plan, error) {
	w = w.withDefaults()
	if err := w.Validate(); err != nil {
		return nil, err
	}
	var out []Plan
	for _, y := range ways(w) {
		if p, ok := w.plan(y); ok {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score() < out[j].score() })
	return out, nil
}

// freshHours is how long a bread may lie before it counts against a plan. This
// project's choice, like the other weights of the score.
const freshHours = 4.0

// score is what a plan costs, in chances.
func (p Plan) score() float64 {
	s := p.Watched.Miss() + p.Late + 0.15*float64(len(p.Night)) + 0.02*math.Max(0, p.early-freshHours)
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
	cold    bool    // a night in the refrigerator
	counter bool    // a night on the counter with less levain
}

// ways lists what the household can do.
func ways(w Wish) []way {
	n, _ := w.Batch.Numbers()
	full := n.InoculationPercent
	out := []way{{name: "same day, " + w.Room.Name, spot: w.Room, inoc: full}}
	if w.Warm.C != 0 {
		out = append(out, way{name: "same day, " + w.Warm.Name, spot: w.Warm, inoc: full})
	}
	if !w.NoFridge {
		out = append(out, way{name: "overnight in the refrigerator", spot: w.Room, inoc: full, cold: true})
		if w.Warm.C != 0 {
			out = append(out, way{name: "overnight in the refrigerator, bulk " + w.Warm.Name, spot: w.Warm, inoc: full, cold: true})
		}
		out = append(out, way{name: "half the levain, overnight in the refrigerator", spot: w.Room, inoc: full / 2, cold: true})
	}
	return append(out, way{name: "less levain, the night " + w.Room.Name, spot: w.Room, inoc: full, counter: true})
}

// job is one way being worked out. Hours count from the start of mixing.
type job struct {
	w        Wish
	y        way
	batch    bake.Batch
	crowd    crowd
	paths    []path
	cool     bake.Spread
	bakeAt   time.Time // cold ways: when the loaf leaves the refrigerator
	latest   time.Time // cold ways: the last moment to put it in
	earliest time.Time
	start    time.Time
	acts     []float64 // when the bulk is ended (or the dough put into the cold)
	marks    []float64 // when it should be
	ready    []float64 // hours from start to sliceable
}

// begin sets when a way starts and which feed it needs. ok is false when the way
// makes no sense here.
func (w Wish) begin(y way) (j job, feed *bake.Feed, ok bool) {
	j = job{w: w, y: y, earliest: w.Now}
	if y.counter && !j.chooseLevain() {
		return j, nil, false
	}
	j.build()
	j.choose()
	j.start, feed = w.levain(j.start, j.batch.Levain.Grams)
	return j, feed, true
}

// plan works out one way.
func (w Wish) plan(y way) (Plan, bool) {
	j, feed, ok := w.begin(y)
	if !ok {
		return Plan{}, false
	}
	j.act()
	if j.y.cold && j.start.After(j.latest.Add(-2*time.Hour)) {
		return j.impossible("The dough could not be put into the refrigerator 8 hours before it is baked."), true
	}
	return j.finish(feed), true
}

// build makes the batch, the crowd and its paths.
func (j *job) build() {
	j.batch = j.w.Batch
	if b, err := j.w.Batch.WithInoculation(j.y.inoc); err == nil {
		j.batch = b
	}
	j.crowd = newCrowd(j.w.prior(j.y.inoc), j.y.spot.SD)
	n, _ := j.batch.Numbers()
	j.cool, _ = bake.CoolingByMass(n.PerLoafG, 0)
	j.paths = make([]path, len(j.crowd.doughs))
	for i, d := range j.crowd.doughs {
		j.paths[i] = j.crowd.newPath(d, j.w.DoughC, j.y.spot.C, j.w.massKg())
	}
	j.marks = make([]float64, len(j.paths))
	for i := range j.paths {
		j.marks[i] = j.mark(j.paths[i])
	}
}

// mark is when one dough should be acted upon, hours from the start.
func (j *job) mark(p path) float64 {
	at := func(rise float64) float64 {
		if j.y.cold {
			return mixHours + p.moveHours(j.w.fridge(), carryHours, rise)
		}
		return mixHours + p.hours(p.d.need(rise))
	}
	h := at(j.goal())
	if math.IsInf(h, 1) {
		h = at(lowShare * j.goal()) // it levels off short: as much as it gives
	}
	if j.y.cold {
		h = math.Max(h, mixHours+shapeHours)
	}
	return math.Min(h, neverHours)
}

// goal is the rise that is right for this way.
func (j *job) goal() float64 {
	if j.y.cold {
		return j.w.ColdTotal
	}
	return j.w.TargetPercent
}

// coolHours is one dough's cooling.
func (j *job) coolHours(d dough) float64 {
	sd := float64(j.cool.HighMin-j.cool.LowMin) / 60 / (2 * 1.2816)
	return math.Max(0.25, float64(j.cool.MidMin)/60+sd*d.cool)
}

// after is the hours from the end of the bulk to the bread, without the cold.
func (j *job) after(p path) float64 {
	proof := proofHours * p.d.slow / j.crowd.speed(p.d, p.place)
	return shapeHours + proof + bakeHours + j.coolHours(p.d)
}

// choose sets when mixing begins.
func (j *job) choose() {
	list := make([]float64, len(j.paths))
	if j.y.counter {
		j.start = j.counterStart()
		return
	}
	if !j.y.cold {
		for i, p := range j.paths {
			list[i] = j.marks[i] + j.after(p)
		}
		j.sameDay(quantile(list, plannedLate))
		return
	}
	for i, p := range j.paths {
		list[i] = bakeHours + j.coolHours(p.d)
	}
	j.bakeAt = j.w.ReadyAt.Add(-hoursOf(quantile(list, plannedLate)))
	j.latest = j.bakeAt.Add(-hoursOf(leastCold))
	if j.w.asleep(j.latest) {
		j.latest = j.w.lastBed(j.latest)
	}
	copy(list, j.marks)
	j.start = j.latest.Add(-hoursOf(quantile(list, plannedLate)))
	if most := j.bakeAt.Add(-hoursOf(mostCold - leastCold)); j.start.Before(most) {
		j.start = most
	}
	j.start = j.w.nextWake(j.start)
}

// sameDay starts a bread without a night in the cold: in time for the wish, or
// for the bedtime before it when it would otherwise take hands at night and
// there is time enough.
func (j *job) sameDay(total float64) {
	j.start = j.w.ReadyAt.Add(-hoursOf(total))
	bed := j.w.lastBed(j.w.ReadyAt)
	evening := bed.Add(-hoursOf(total))
	if !j.start.Before(bed) || j.w.ReadyAt.Sub(bed) < time.Hour {
		return
	}
	if start, _ := j.w.levain(evening, j.batch.Levain.Grams); start.Equal(evening) {
		j.start = evening
	}
}

// counterStart leaves time for mixing and folding before the last bedtime.
func (j *job) counterStart() time.Time {
	return j.w.lastBed(onDay(j.w.ReadyAt, j.w.WakeMin)).Add(-3 * time.Hour)
}

// chooseLevain finds the levain with which the middle dough is at its mark half
// an hour after waking; false when no levain between 0.5 and the batch's own
// does.
func (j *job) chooseLevain() bool {
	wake := onDay(j.w.ReadyAt, j.w.WakeMin)
	start := j.counterStart()
	if start.Before(j.w.Now) || !wake.After(start) {
		return false
	}
	want := wake.Sub(start).Hours() + 0.5
	low, high := 0.5, j.y.inoc
	at := func(inoc float64) float64 {
		j.y.inoc = inoc
		j.build()
		return quantile(append([]float64(nil), j.marks...), 0.5)
	}
	if at(high) > want || at(low) < want {
		return at(high) <= want*1.15
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

// act lets every dough of the crowd be acted upon: at its mark when somebody
// is awake, else before sleep or after waking, whichever is nearer to right.
func (j *job) act() {
	j.acts = make([]float64, len(j.paths))
	j.ready = make([]float64, len(j.paths))
	for i, p := range j.paths {
		h := math.Min(j.marks[i]+reactHours, neverHours)
		if j.y.cold {
			h = math.Min(h, j.latest.Sub(j.start).Hours())
		}
		j.acts[i] = j.awake(p, h)
		if j.y.cold {
			j.ready[i] = j.bakeAt.Sub(j.start).Hours() + bakeHours + j.coolHours(p.d)
			continue
		}
		j.ready[i] = j.acts[i] + j.after(p)
	}
}

// awake moves an act out of the night.
func (j *job) awake(p path, h float64) float64 {
	t := j.start.Add(hoursOf(h))
	if !j.w.asleep(t) {
		return h
	}
	wake := j.w.nextWake(t).Sub(j.start).Hours()
	bed := j.w.lastBed(t).Sub(j.start).Hours()
	if bed < mixHours+shapeHours || math.Abs(math.Log(j.share(p, wake))) < math.Abs(math.Log(j.share(p, bed))) {
		return wake
	}
	return bed
}

// share is the rise, as a share of the wanted one, of a dough acted upon after
// h hours; what the cold still adds is counted.
func (j *job) share(p path, h float64) float64 {
	e := p.equiv(h - mixHours)
	if j.y.cold {
		e += p.carry(j.w.fridge(), h, carryHours)
	}
	return math.Max(1e-3, p.d.rise(e)/j.goal())
}

// risk counts the doughs out of bounds.
func (j *job) risk(act func(i int) float64) Risk {
	var r Risk
	for i, p := range j.paths {
		switch s := j.share(p, act(i)); {
		case s < lowShare:
			r.Under += 1 / float64(len(j.paths))
		case s > highShare:
			r.Over += 1 / float64(len(j.paths))
		}
	}
	return r
}

// window reads a list of hours from the start as a window.
func (j *job) window(list []float64) estimator.Window {
	l := append([]float64(nil), list...)
	at := func(q float64) time.Time { return j.start.Add(hoursOf(quantile(l, q))) }
	return estimator.Window{From: at(0.1), Median: at(0.5), Until: at(0.9)}
}

// impossible is a way that cannot be.
func (j *job) impossible(why string) Plan {
	return Plan{Name: j.y.name, Why: why, InoculationPercent: j.y.inoc, Late: 1}
}

// finish puts the plan together.
func (j *job) finish(feed *bake.Feed) Plan {
	mid := quantile(append([]float64(nil), j.acts...), 0.5)
	p := Plan{
		Name: j.y.name, Feed: feed, Ready: j.window(j.ready), InoculationPercent: j.y.inoc,
		Clock:   j.risk(func(int) float64 { return mid }),
		Watched: j.risk(func(i int) float64 { return j.acts[i] }),
	}
	for _, h := range j.ready {
		if j.start.Add(hoursOf(h)).After(j.w.ReadyAt) {
			p.Late += 1 / float64(len(j.ready))
		}
	}
	p.early = j.w.ReadyAt.Sub(p.Ready.Median).Hours()
	p.BulkEndPercent = j.bulkEnd(mid)
	p.Process = j.process(p.BulkEndPercent)
	p.Steps = append(feedSteps(feed, j.w, j.start), j.steps(p)...)
	p.Night = j.night(p.Steps)
	p.Notes = j.notes(p)
	if p.Fits = p.Late <= 0.5; !p.Fits {
		p.Why = fmt.Sprintf("Most likely ready %s, 8 in 10 between %s and %s.", p.Ready.Median.Format("Mon 15:04"),
			p.Ready.From.Format("15:04"), p.Ready.Until.Format("15:04"))
	}
	return p
}

// bulkEnd is the rise of the middle dough when the bulk ends.
func (j *job) bulkEnd(mid float64) float64 {
	if !j.y.cold {
		return j.w.TargetPercent
	}
	list := make([]float64, len(j.paths))
	for i, p := range j.paths {
		list[i] = p.d.rise(p.equiv(j.acts[i] - mixHours - shapeHours))
	}
	return math.Max(5, math.Round(quantile(list, 0.5)))
}

// night names the steps that need hands while the household sleeps.
func (j *job) night(steps []bake.Step) []string {
	var out []string
	for _, s := range steps {
		if s.Hands && j.w.asleep(s.At) && s.ID != bake.SliceID {
			out = append(out, fmt.Sprintf("%s at %s", s.Name, s.At.Format("15:04")))
		}
	}
	return out
}

// hoursOf turns hours into a duration of whole seconds.
func hoursOf(h float64) time.Duration { return time.Duration(math.Round(h*3600)) * time.Second }
