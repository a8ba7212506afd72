package planner

import (
	"math"
	"slices"
	"sort"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Risk is the chance of a rise outside the right bounds.
type Risk struct{ Under, Over float64 }

// Plan is one way to the bread. No step of it needs hands while the household sleeps
// or is away.
type Plan struct {
	Way     string       // its name for programs, see Request.strategies
	Process bake.Process // ready to be adopted: its steps follow the live forecast
	Steps   []bake.Step  // the whole timetable from feeding to slicing; empty when there is none
	Ready   estimator.Window
	Late    float64 // chance of not being ready by the wished time
	Chance  float64 // chance of a bread that is right and in time, watched
	Clock   Risk    // when the bulk ends by the timetable's clock, unseen
	Watched Risk    // when it ends by the sensor, as far as people are awake and at home
	Notes   []bake.Said
	Fits    bool           // it can be offered: an even chance at least
	Why     bake.Sentences // why it does not fit; empty when it does
	GoodAt  time.Time      // of the first of those that do not fit: from then on this way would; zero otherwise

	BulkEndPercent     float64 // the rise at which to end the bulk
	TotalPercent       float64 // the rise, as if left alone, that it is to end at
	InoculationPercent float64

	early float64 // hours that the bread waits, most likely
	tub   bool    // the whole tub in the cold: its end is harder to hit than a loaf's
}

// freshHours is how long a bread may lie before it counts against a plan, and leastTub the
// rise in percent before which no tub goes into the cold; this project's choice.
const (
	freshHours = 4.0
	leastTub   = 20.0
)

// Make plans the request in every way that applies and returns them best first: those
// that fit before those that do not, then by what they risk and how long the bread
// would lie. When none fits the first is the way that would fit soonest, with its
// timetable and from when on it would be good.
func Make(r Request) ([]Plan, error) {
	r.ReadyAt = r.ReadyAt.In(r.Now.Location())
	if err := r.validate(); err != nil {
		return nil, err
	}
	all := r.candidates()
	var out []Plan
	for _, c := range all {
		out = append(out, c.plan())
	}
	order := func() {
		sort.SliceStable(out, func(i, j int) bool { return out[i].score() < out[j].score() })
	}
	if order(); out[0].Fits {
		return out, nil
	}
	if p, ok := soonest(r, all); ok {
		out[slices.IndexFunc(out, func(x Plan) bool { return x.Way == p.Way })] = p
		order()
	}
	return out, nil
}

// soonest returns the way that fits soonest after the wanted time.
func soonest(r Request, all []*candidate) (Plan, bool) {
	step := time.Hour
	for at := r.ReadyAt.Truncate(time.Hour).Add(step); at.Sub(r.ReadyAt) < 72*time.Hour; at = at.Add(step) {
		if at.Sub(r.ReadyAt) > 12*time.Hour {
			step = 2 * time.Hour
		}
		if r.asleep(at) {
			continue
		}
		for _, c := range all {
			try := *c
			try.ReadyAt = at
			if list := try.trials(time.Hour); len(list) == 0 || list[0].chance < evenChance {
				continue
			}
			if p := try.plan(); p.Fits {
				p.Fits, p.Late, p.Chance, p.GoodAt = false, 1, 0, at
				p.Why = because("tight", bake.Values{"wanted": r.ReadyAt, "good": at})
				return p, true
			}
		}
	}
	return Plan{}, false
}

// plan is the best beginning of a candidate.
func (c *candidate) plan() Plan {
	p := Plan{Way: c.name, InoculationPercent: c.inoc, TotalPercent: c.total, Late: 1, tub: c.tub}
	list := c.trials(startStep)
	if len(list) == 0 {
		p.Why = because("nothing", nil)
		return p
	}
	x := &list[0]
	p.BulkEndPercent = x.end
	if p.Why = c.possible(x.end); p.Why != nil {
		return p
	}
	p.Late, p.Chance, p.Ready = x.late, x.chance, x.window(x.ready)
	p.Watched = c.risk(func(i int) float64 { return x.shares[i] })
	bulk, proof := median(x.bulkEnds), median(x.proofs)
	p.Clock = c.risk(func(i int) float64 { return c.unseen(i, bulk, proof) })
	p.Process, p.Steps = x.process, x.steps
	c.awake(p.Steps)
	s := &p.Steps[len(p.Steps)-1] // the middle of when the bread is ready is that of its timetable
	p.Ready = estimator.Window{From: bake.Earlier(c.nextFree(p.Ready.From), s.At), Median: s.At, Until: bake.Later(c.nextFree(p.Ready.Until), s.At)}
	s.From, s.Until = p.Ready.From, p.Ready.Until
	p.early = c.ReadyAt.Sub(s.At).Hours()
	p.Notes = c.notes(p)
	if p.Fits = x.chance >= evenChance; !p.Fits {
		p.Why = c.why(p)
	}
	return p
}

// possible says why no bulk of the dough may end at a rise; nil when it may.
func (c *candidate) possible(bulkEnd float64) bake.Sentences {
	switch v := (bake.Values{"bulk_percent": bulkEnd}); {
	case bulkEnd > c.stands:
		return because("beyond", v)
	case c.tub && bulkEnd < leastTub:
		return because("too_warm", v)
	}
	return nil
}

// why says what speaks against a way.
func (c *candidate) why(p Plan) bake.Sentences {
	var out bake.Sentences
	if p.Late > evenChance {
		out = because("late", bake.Values{"ready": p.Ready.Median, "from": p.Ready.From, "until": p.Ready.Until})
	}
	switch {
	case p.Watched.Over > 0.3:
		out = append(out, because("over", nil)...)
	case p.Watched.Under > 0.3:
		out = append(out, because("under", nil)...)
	}
	if len(out) == 0 {
		out = because("seldom", bake.Values{"chance_percent": 100 * p.Chance})
	}
	return out
}

// Name is what a household calls the way.
func (p Plan) Name() bake.Said { return bake.Said{Key: "plan.way." + p.Way} }

// because is one reason.
func because(key string, v bake.Values) bake.Sentences {
	return bake.Sentences{{Key: "plan." + key, Values: v}}
}

// score is what a plan costs, in chances.
func (p Plan) score() float64 {
	s := 1 - p.Chance + 0.02*math.Max(0, p.early-freshHours)
	if p.tub {
		s += 0.05
	}
	if !p.Fits && p.GoodAt.IsZero() {
		s += 10
	}
	if len(p.Steps) == 0 {
		s += 10
	}
	return s
}

// strategies lists what the household can do with this dough. A paste of rye is neither
// kept cold nor left for a night, a rich dough is retarded in the tub and proofs in
// the warm, and what spoils does not stand out at night.
func (r Request) strategies() []strategy {
	n := r.Batch.Numbers()
	full, kind, day := n.InoculationPercent, r.Batch.Kind(), "same_day"
	if kind == bake.Rye {
		day = "same_day.rye"
	}
	warmer := func(s strategy) []strategy {
		out := []strategy{s}
		if r.WarmC != 0 {
			s.name, s.placeC = s.name+".warm", r.WarmC
			out = append(out, s)
		}
		return out
	}
	out := warmer(strategy{name: day, placeC: r.RoomC, inoc: full})
	if kind == bake.Rye {
		return out
	}
	if !r.NoFridge && kind == bake.Lean {
		out = append(out, warmer(strategy{name: "overnight", placeC: r.RoomC, inoc: full, cold: true})...)
		out = append(out, strategy{name: "overnight.half", placeC: r.RoomC, inoc: full / 2, cold: true})
	}
	if !r.NoFridge {
		out = append(out, strategy{name: "tub", placeC: r.RoomC, inoc: full, tub: true})
	}
	if !r.Batch.Perishable() {
		out = append(out, strategy{name: "night", placeC: r.RoomC, inoc: full, counter: true})
	}
	return out
}

// candidates prepares every strategy; those that make no sense are left out.
func (r Request) candidates() []*candidate {
	var out []*candidate
	for _, s := range r.strategies() {
		c := &candidate{Request: r, strategy: s}
		if s.counter && !c.chooseLevain() {
			continue
		}
		c.build()
		out = append(out, c)
	}
	return out
}

// chooseLevain finds the levain with which the middle dough is at its mark an hour and a
// half after waking, so that most are seen to get there, when it was mixed three hours
// before bed, time for its folds. It is the batch's own where that is slow enough; false
// when there would be less than can be weighed.
func (c *candidate) chooseLevain() bool {
	night := c.Hours.Night(c.Now)
	want := night.Until.Sub(night.From).Hours() + 4.5
	at := func(inoc float64) float64 {
		c.inoc = inoc
		c.build()
		return median(c.marks)
	}
	low, high := 0.5, c.inoc
	if at(high) > want-0.75 {
		return true
	}
	if at(low) < want {
		return false
	}
	for range 8 {
		if mid := math.Sqrt(low * high); at(mid) > want {
			low = mid
		} else {
			high = mid
		}
	}
	c.name = "night.less"
	return true
}
