package planner

import (
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

// Plan is one way to the bread. No step of it needs hands while the household sleeps
// or is away.
type Plan struct {
	Way     string       // its name for programs, see Wish.ways
	Process bake.Process // ready to be adopted: its steps follow the live forecast
	Steps   []bake.Step  // the whole timetable from feeding to slicing; empty when there is none
	Feed    *bake.Feed   // the first feed it needs; nil when the starter is ripe
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

// Times in hours. Common practice, no source.
const (
	leastCold   = 8.0  // a shorter retard brings little
	mostCold    = 48.0 // IREKS Kompendium, 6.3.4: 0 to 5 C up to 48 h
	proofHours  = 100.0 / 60
	leastProof  = 75.0 / 60 // an oven must heat up meanwhile
	mostProof   = 4.0       // at 24 C
	reactHours  = 10.0 / 60
	mostLate    = 1.0 // the middle dough is not left standing past its mark for longer
	neverHours  = 48.0
	startStep   = 15 * time.Minute
	plannedLate = 0.8  // a night in the cold ends so that this share is ready in time
	evenChance  = 0.5  // below it nothing is offered
	freshHours  = 4.0  // a bread may lie so long before it counts against a plan; this project's choice
	leastTub    = 20.0 // a tub that would have to go in before this rise, in percent, is too warm for it
)

// Make plans the wish in every way that applies and returns them best first: those
// that fit before those that do not, then by what they risk and how long the bread
// would lie. When none fits the first is the way that would fit soonest, with its
// timetable and from when on it would be good.
func Make(w Wish) ([]Plan, error) {
	w = w.withDefaults()
	if err := w.Validate(); err != nil {
		return nil, err
	}
	jobs := w.jobs()
	var out []Plan
	for _, j := range jobs {
		out = append(out, j.plan())
	}
	order := func() {
		sort.SliceStable(out, func(i, j int) bool { return out[i].score() < out[j].score() })
	}
	order()
	if out[0].Fits {
		return out, nil
	}
	if p, ok := soonest(w, jobs); ok {
		for i := range out {
			if out[i].Way == p.Way {
				out[i] = p
			}
		}
		order()
	}
	return out, nil
}

// soonest returns the way that fits soonest after the wished time.
func soonest(w Wish, jobs []*job) (Plan, bool) {
	step := time.Hour
	for at := w.ReadyAt.Truncate(time.Hour).Add(step); at.Sub(w.ReadyAt) < 72*time.Hour; at = at.Add(step) {
		if at.Sub(w.ReadyAt) > 12*time.Hour {
			step = 2 * time.Hour
		}
		if w.asleep(at) {
			continue
		}
		for _, j := range jobs {
			try := *j
			try.w.ReadyAt = at
			if list := try.trials(time.Hour); len(list) == 0 || list[0].chance < evenChance {
				continue
			}
			p := try.plan()
			if !p.Fits {
				continue
			}
			p.Fits, p.Late, p.Chance, p.GoodAt = false, 1, 0, at
			p.Why = because("tight", bake.Values{"wanted": w.ReadyAt, "good": at})
			return p, true
		}
	}
	return Plan{}, false
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

// way is one manner of doing it.
type way struct {
	name    string
	spot    Place
	inoc    float64 // fermented flour, percent
	cold    bool    // a night in the refrigerator, shaped
	tub     bool    // a night in the refrigerator in the tub, shaped cold
	counter bool    // a night in the tub where it stands
}

// ways lists what the household can do with this dough. A paste of rye is neither
// kept cold nor left for a night, a rich dough is retarded in the tub and proofs in
// the warm, and what spoils does not stand out at night.
func (w Wish) ways() []way {
	n, _ := w.Batch.Numbers()
	full, kind := n.InoculationPercent, w.Batch.Kind()
	warm := w.Warm.C != 0
	day := "same_day"
	if kind == bake.Rye {
		day = "same_day.rye"
	}
	out := []way{{name: day, spot: w.Room, inoc: full}}
	if warm {
		out = append(out, way{name: day + ".warm", spot: w.Warm, inoc: full})
	}
	if kind == bake.Rye {
		return out
	}
	if !w.NoFridge && kind == bake.Lean {
		out = append(out, way{name: "overnight", spot: w.Room, inoc: full, cold: true})
		if warm {
			out = append(out, way{name: "overnight.warm", spot: w.Warm, inoc: full, cold: true})
		}
		out = append(out, way{name: "overnight.half", spot: w.Room, inoc: full / 2, cold: true})
	}
	if !w.NoFridge {
		out = append(out, way{name: "tub", spot: w.Room, inoc: full, tub: true})
	}
	if !w.Batch.Perishable() {
		out = append(out, way{name: "night", spot: w.Room, inoc: full, counter: true})
	}
	return out
}

// jobs prepares every way; those that make no sense are left out.
func (w Wish) jobs() []*job {
	var out []*job
	for _, y := range w.ways() {
		j := &job{w: w, way: y, kind: w.Batch.Kind()}
		if y.counter && !j.chooseLevain() {
			continue
		}
		j.build()
		out = append(out, j)
	}
	return out
}

// chooseLevain finds the levain with which the middle dough is at its mark an hour and a
// half after waking, so that most are seen to get there, when it was mixed three hours
// before bed, time for its folds. It
// is the batch's own where that is slow enough; false when there would be less than
// can be weighed.
func (j *job) chooseLevain() bool {
	full := j.way.inoc
	night := (j.w.WakeMin - j.w.BedMin + 24*60) % (24 * 60)
	want := float64(night)/60 + 4.5
	at := func(inoc float64) float64 {
		j.way.inoc = inoc
		j.build()
		return median(j.marks)
	}
	if at(full) > want-0.75 {
		return true
	}
	low, high := 0.5, full
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
	j.way.name = "night.less"
	return true
}
