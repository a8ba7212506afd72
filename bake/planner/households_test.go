package planner_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/estimator/kinetics"
)

var (
	households = flag.Int("households", 8, "how many invented households bake in TestHouseholds")
	learners   = flag.Int("learners", 12, "how many invented households learn in TestLearningHelpsInTheFirstHour")
)

// house is one invented household with one invented dough. Its growth follows
// the Gompertz or the logistic curve and its own temperature response, its
// kitchen drifts, and its refrigerator is not the published one: none of it is
// what the planner assumes.
type house struct {
	rng                   *rand.Rand
	shape                 kinetics.Sigmoid
	ceiling, mu, lag      float64
	resp                  float64
	roomC, swingC, driftC float64 // mean, daily swing, slow wander
	mixedC                float64 // dough after mixing
	fridge                bake.Fridge
	offC                  float64 // how wrong the household's idea of its room is
}

// newHouse draws a household. Its middle dough is slower than the planner's own
// middle and faster than the usual bulk table (50 % in 5.5 h at 25 C).
func newHouse(rng *rand.Rand) house {
	z := rng.NormFloat64
	h := house{
		rng: rng, shape: kinetics.Gompertz(), ceiling: 175 * math.Exp(0.18*z()), mu: 20 * math.Exp(0.30*z()),
		lag: 0.33 + 0.12*z(), resp: rng.Float64(), roomC: min(28, max(17, 23+2.2*z())),
		swingC: 1.2 * rng.Float64(), driftC: 0.7, offC: 1.2 * z(),
		fridge: bake.Fridge{AirC: 4 + z(), PieceKg: 0.88 * math.Exp(0.2*z()/0.37)},
	}
	if rng.IntN(2) == 0 {
		h.shape = kinetics.Richards(1)
	}
	h.mixedC = min(26, max(24, h.roomC)) + 1.2*z() // by the water that the plan says
	return h
}

func (h *house) speed(c float64) float64 {
	g := kinetics.Ganzle(c) / kinetics.Ganzle(24)
	s := kinetics.Cerevisiae().Rate(c) / kinetics.Cerevisiae().Rate(24)
	return max(0.005, g+h.resp*(s-g))
}

// rise in percent after so many of its own equivalent hours.
func (h *house) rise(equiv float64) float64 {
	return h.ceiling * (h.shape.Unit(h.mu/h.ceiling*equiv-h.lag) - h.shape.Unit(-h.lag))
}

// day is one dough out in the kitchen, minute by minute.
type day struct {
	equiv, doughC, airC []float64
}

// live lets the dough stand for so many minutes after mixing at 12:00.
func (h *house) live(minutes int) day {
	var d day
	dough, wander, e := h.mixedC, 0.0, 0.0
	for m := range minutes + 1 {
		wander += -wander/180 + h.driftC*math.Sqrt(2.0/180)*h.rng.NormFloat64()
		air := h.roomC + wander + h.swingC*math.Sin(2*math.Pi*(12+float64(m)/60-9)/24)
		d.equiv, d.doughC, d.airC = append(d.equiv, e), append(d.doughC, dough), append(d.airC, air)
		e += h.speed(dough) / 60
		dough += (air - dough) / (2.5 * 60)
	}
	return d
}

// record is another dough of the household, alike but not the same, watched for so many
// minutes and read every two: what was seen, and the hour it doubled (+Inf when it did not).
func (h house) record(minutes int) ([]forecast.Point, float64) {
	z := h.rng.NormFloat64
	h.ceiling, h.mu, h.lag = h.ceiling*math.Exp(0.08*z()), h.mu*math.Exp(0.12*z()), h.lag+0.05*z()
	h.roomC, h.mixedC = h.roomC+2*z(), h.mixedC+2*z()
	var seen []forecast.Point
	d, doubled := h.live(minutes), math.Inf(1)
	for m, equiv := range d.equiv {
		rise := h.rise(equiv)
		if rise >= 100 {
			doubled = min(doubled, float64(m)/60)
		}
		if m%2 == 0 {
			seen = append(seen, forecast.Point{At: time.Duration(m) * time.Minute, VolumeL: 1 + rise/100 + 0.01*z(), SDL: 0.01, DoughC: d.doughC[m]})
		}
	}
	return seen, doubled
}

// total is where the dough ends when it goes into the refrigerator at a minute.
func (h *house) total(d day, minute int) float64 {
	minute = min(minute, len(d.equiv)-1)
	return h.rise(d.equiv[minute] + h.fridge.Carry(d.doughC[minute], 16, h.speed))
}

const (
	shaping = 40          // minutes
	bedtime = 10*60 + 30  // 22:30, in minutes after mixing at 12:00
	tooLong = 24*60 + 120 // nobody watches longer
)

// watched is the minute the dough goes into the cold when the household
// follows the live plan: it reads a noisy sensor, asks for the move every ten
// minutes, and is up to twenty minutes late. At bedtime it goes in anyway.
func (h *house) watched(d day) int {
	fit := forecast.New(forecast.DefaultPrior("dough").Inoculated(0.10), nil, kinetics.NewResponses())
	p, f := bake.NewProcess(bake.DefaultBatch(), now(), h.roomC).Retarded(), bake.Fridge{AirC: 4, PieceKg: 0.88}
	p.Edit(bake.BulkID, func(d *bake.StepDef) { d.RisePercent = 60 })
	for m := 0; m <= bedtime-shaping; m++ {
		at := time.Duration(m) * time.Minute
		fit.Temper(at.Hours(), d.doughC[m]+0.1*h.rng.NormFloat64(), d.airC[m])
		if m%5 == 0 {
			fit.Look(at.Hours(), h.rise(d.equiv[m])+1.3*h.rng.NormFloat64(), 1.3)
		}
		if m < 60 || m%10 != 0 {
			continue
		}
		fit.Refit(at.Hours())
		e := estimate(fit, at, d.doughC[m])
		p.Replan(e, f, bake.DefaultBatch().Total(0))
		if i := slices.IndexFunc(p.Defs, func(d bake.StepDef) bool { return d.ID == bake.BulkID }); e.RisePercent >= p.Defs[i].RisePercent {
			return m + shaping + h.rng.IntN(20)
		}
	}
	return bedtime
}

// estimate hands a fit on as the estimator would.
func estimate(fit *forecast.Fit, at time.Duration, doughC float64) estimator.Estimate {
	e := estimator.Estimate{Time: now().Add(at), Started: now(), DoughC: doughC, AirC: math.NaN(), TargetPercent: 100}
	e.RisePercent, e.RiseSD = fit.Rise(at.Hours())
	_, e.CeilingPercent, _ = fit.Ceiling()
	for i := range 60 {
		low, mid, high := fit.Ahead(float64(i) / 3)
		e.Fan = append(e.Fan, estimator.FanPoint{Time: e.Time.Add(time.Duration(i) * 20 * time.Minute), P10Percent: low, P50Percent: mid, P90Percent: high})
	}
	return e
}

// planned is the minute of the plan's own clock, made for the household's idea
// of its room.
func (h *house) planned(t *testing.T) int {
	w := planner.Request{
		Now: now(), ReadyAt: now().Add(29 * time.Hour), Batch: bake.DefaultBatch(),
		RoomC: h.roomC + h.offC, Starter: planner.Starter{RipeFrom: now().Add(4 * time.Hour), RipeUntil: now().Add(4*time.Hour + time.Minute)},
	}
	plans, err := planner.Make(w)
	require.NoError(t, err)
	p := find(t, plans, "overnight")
	if len(p.Steps) == 0 {
		return bedtime // the plan says why it cannot be; in it goes at bedtime
	}
	return int(step(t, p, bake.RetardID).At.Sub(step(t, p, "mix").At).Minutes())
}

// TestHouseholds lets invented households, mixing at noon and asleep from 22:30, bake by a
// recipe of 5.5 hours, by the plan's clock and by the plan watched, and counts how many
// doughs land within 80 to 125 % of the wanted rise. Run it with -households 500 -v for the
// figures.
func TestHouseholds(t *testing.T) {
	var right [3]int
	rng, total := rand.New(rand.NewPCG(7, 2026)), bake.DefaultBatch().Total(0)
	for range *households {
		h := newHouse(rng)
		d := h.live(tooLong)
		for i, minute := range []int{330 + shaping, h.planned(t), h.watched(d)} {
			if got := h.total(d, minute); got >= 0.8*total && got <= 1.25*total {
				right[i]++
			}
		}
	}
	t.Logf("of %d by the recipe, the plan's clock and the plan watched: %v", *households, right)
	assert.Greater(t, right[2], max(right[0], right[1]), "watching is better")
}

// after forecasts the doubling from the first part of a record.
func after(p forecast.Prior, pts []forecast.Point, until time.Duration) forecast.Crossing {
	f := forecast.New(p, nil, kinetics.NewResponses())
	for _, q := range pts {
		if q.At > until {
			break
		}
		f.Temper(q.At.Hours(), q.DoughC, math.NaN())
		f.Look(q.At.Hours(), 100*(q.VolumeL-1), 100*q.SDL)
	}
	f.Refit(until.Hours())
	return f.Crossing(100)
}

// score is how forecasts at one hour did.
type score struct {
	off, wide []float64 // minutes
	hit       int
}

func (s *score) add(c forecast.Crossing, doubled float64) {
	if !c.Known {
		s.off, s.wide = append(s.off, 24*60), append(s.wide, 24*60)
		return
	}
	s.off = append(s.off, math.Abs(c.Median-doubled)*60)
	s.wide = append(s.wide, 60*(c.Until-c.From))
	if c.From <= doubled && doubled <= c.Until {
		s.hit++
	}
}

// After ten rises the forecast made in the first hour is better than without
// history. Run it with -learners 200 -v for the figures.
func TestLearningHelpsInTheFirstHour(t *testing.T) {
	rng, batch := rand.New(rand.NewPCG(11, 2026)), bake.DefaultBatch()
	var without, with score
	for range *learners {
		h := newHouse(rng)
		var past []bake.Lesson
		for i := range 10 {
			pts, _ := h.record(9 * 60)
			l, ok := bake.LessonOf(bake.Rise{Holds: estimator.Dough, EndedAt: now().AddDate(0, 0, 7*i)}, pts, &batch, nil)
			require.True(t, ok)
			past = append(past, l)
		}
		if pts, doubled := h.record(16 * 60); !math.IsInf(doubled, 1) {
			without.add(after(bake.Learn(estimator.Dough, nil, &batch), pts, time.Hour), doubled)
			with.add(after(bake.Learn(estimator.Dough, past, &batch), pts, time.Hour), doubled)
		}
	}
	hit := float64(with.hit) / float64(len(with.off))
	t.Logf("median error without %.0f min, with %.0f; 80 %% width %.0f and %.0f; held %.2f", bake.Median(without.off), bake.Median(with.off), bake.Median(without.wide), bake.Median(with.wide), hit)
	assert.Less(t, bake.Median(with.off), 0.7*bake.Median(without.off), "ten rises help")
	assert.Less(t, bake.Median(with.wide), 0.7*bake.Median(without.wide))
	assert.Greater(t, hit, 0.6, "and the interval is not a boast")
}
