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

// table is the usual bulk time by the temperature of the kitchen: 27 C 4.5 to
// 5 h, 25 C 5 to 6, 23 C 6 to 7, 21 C 9 to 11, below 20 C 12 h or more (common
// practice, no source).
func table(roomC float64) int {
	rows := []struct{ c, h float64 }{{19, 12}, {21, 10}, {23, 6.5}, {25, 5.5}, {27, 4.75}}
	if roomC <= rows[0].c {
		return 12 * 60
	}
	for i := 1; i < len(rows); i++ {
		if a, b := rows[i-1], rows[i]; roomC <= b.c {
			return int(60 * (a.h + (roomC-a.c)/(b.c-a.c)*(b.h-a.h)))
		}
	}
	return int(60 * rows[len(rows)-1].h)
}

// tally counts outcomes of one manner.
type tally struct{ under, right, over int }

func (c *tally) add(total float64) {
	switch {
	case total < 0.8*bake.DefaultBatch().Total(0):
		c.under++
	case total > 1.25*bake.DefaultBatch().Total(0):
		c.over++
	default:
		c.right++
	}
}

// TestHouseholds lets invented households bake after four manners and prints
// how many land within 80 to 125 % of the wanted rise. Run it with
// -households 500 -v for the whole table.
func TestHouseholds(t *testing.T) {
	names := []string{"fixed-time recipe (5.5 h)", "usual table by kitchen thermometer", "the plan's clock, unwatched", "the plan, watched"}
	counts := make([]tally, len(names))
	rng := rand.New(rand.NewPCG(7, 2026))
	for range *households {
		h := newHouse(rng)
		d := h.live(tooLong)
		for i, minute := range []int{330 + shaping, table(h.roomC+h.offC) + shaping, h.planned(t), h.watched(d)} {
			counts[i].add(h.total(d, minute))
		}
	}
	n := float64(*households)
	t.Logf("%d invented households, mixing at noon, asleep from 22:30:", *households)
	t.Logf("%-42s %6s %6s %6s", "bulk ends by", "under", "right", "over")
	for i, name := range names {
		c := counts[i]
		t.Logf("%-42s %5.0f%% %5.0f%% %5.0f%%", name, 100*float64(c.under)/n, 100*float64(c.right)/n, 100*float64(c.over)/n)
	}
	for i := range names[:3] {
		assert.Greater(t, counts[3].right, counts[i].right, "watching beats %s", names[i])
	}
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
	rng := rand.New(rand.NewPCG(11, 2026))
	pasts := []int{0, 1, 3, 10}
	scores := make([]score, len(pasts))
	batch := bake.DefaultBatch()
	for range *learners {
		h := newHouse(rng)
		var past []bake.Lesson
		for i := range 10 {
			pts, _ := h.record(9 * 60)
			l, ok := bake.LessonOf(bake.Rise{Holds: estimator.Dough, EndedAt: now().AddDate(0, 0, 7*i)}, pts, &batch, nil)
			require.True(t, ok)
			past = append(past, l)
		}
		pts, doubled := h.record(16 * 60)
		if math.IsInf(doubled, 1) {
			continue
		}
		for i, n := range pasts {
			prior := bake.Learn(estimator.Dough, past[:n], &batch)
			scores[i].add(after(prior, pts, time.Hour), doubled)
		}
	}
	t.Logf("%-12s %22s %22s %16s", "past rises", "median error, min", "median 80 % width, min", "within 80 %")
	for i, n := range pasts {
		s := scores[i]
		t.Logf("%-12d %22.0f %22.0f %15.0f%%", n, bake.Median(s.off), bake.Median(s.wide), 100*float64(s.hit)/float64(len(s.off)))
	}
	assert.Less(t, bake.Median(scores[3].off), 0.7*bake.Median(scores[0].off), "ten rises help")
	assert.Less(t, bake.Median(scores[3].wide), 0.7*bake.Median(scores[0].wide))
	assert.Greater(t, float64(scores[3].hit)/float64(len(scores[3].off)), 0.6, "and the interval is not a boast")
}
