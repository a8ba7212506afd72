package estimator

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// level60 is an estimator over a straight jar with dough 60 mm high (200 mm from
// the sensor), fed with the given noise for a while.
func level60(t testing.TB, noiseMM float64, every, long time.Duration) (*Estimator, time.Time, *rand.Rand) {
	t.Helper()
	cfg := goodConfig(t)
	e, err := New(cfg)
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(5, 6))
	now := simEpoch
	e.Begin(now)
	for end := now.Add(long); now.Before(end); now = now.Add(every) {
		e.Observe(still(now, 200+noiseMM*rng.NormFloat64()))
	}
	return e, now, rng
}

// still is a sample without temperatures.
func still(at time.Time, distanceMM float64) Sample {
	return Sample{Time: at, DistanceMM: distanceMM, DoughC: math.NaN(), AirC: math.NaN()}
}

func TestRefusedReadings(t *testing.T) {
	for name, c := range map[string]struct {
		mm   float64
		want string
	}{
		"missing":        {math.NaN(), rMissing.word()},
		"zero":           {0, rOutOfRange.word()},
		"negative":       {-3, rOutOfRange.word()},
		"infinite":       {math.Inf(1), rOutOfRange.word()},
		"sentinel 8190":  {8190, rOutOfRange.word()},
		"sentinel 8191":  {8191, rOutOfRange.word()},
		"sentinel 65535": {65535, rOutOfRange.word()},
		"too near":       {9, rTooNear.word()},
		"lid off":        {300, rBelowFloor.word()},
		"counter":        {267, rBelowFloor.word()},
		"empty":          {257, rEmpty.word()},
		"hand":           {90, rSpike.word()},
		"utensil":        {185, rSpike.word()},
		"far spike":      {215, rSpike.word()},
	} {
		e, now, _ := level60(t, 1, 10*time.Second, 30*time.Minute)
		before := e.counts()[c.want]
		v := e.Observe(still(now, c.mm))
		assert.Equal(t, Verdict{Reason: c.want}, v, name)
		if c.want != rMissing.word() {
			assert.Equal(t, before+1, e.counts()[c.want], name)
		}
		v = e.Observe(still(now.Add(10*time.Second), 200))
		assert.Equal(t, Verdict{Accepted: true}, v, "%s: believed again straight away", name)
	}
	cfg := goodConfig(t)
	cfg.FloorMM = 400
	e, err := New(cfg)
	require.NoError(t, err)
	e.Begin(simEpoch)
	assert.Equal(t, rAboveVessel.word(), e.Observe(still(simEpoch, 100)).Reason, "300 mm over the floor of a 200 mm vessel")
}

func TestTimeOrder(t *testing.T) {
	e, now, _ := level60(t, 1, 10*time.Second, 10*time.Minute)
	last := now.Add(-10 * time.Second)
	assert.Equal(t, rDuplicate.word(), e.Observe(still(last, 200)).Reason)
	assert.Equal(t, rOutOfOrder.word(), e.Observe(still(last.Add(-time.Second), 200)).Reason)
	assert.Equal(t, rMissing.word(), e.Observe(Sample{Time: last, DistanceMM: math.NaN(), Event: Fold}).Reason, "an event at the time of a reading is no duplicate")
	assert.Equal(t, e.clock.hours(last), e.rise.foldTold)
	e.Observe(Sample{Time: last.Add(-time.Hour), DistanceMM: 200, Event: End})
	assert.Equal(t, Ended, e.Estimate(now).Phase, "a late event counts")
}

// A lid off for one to ten minutes is refused, leaves no trace, and the first
// reading after it is believed.
func TestLidOff(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
		for _, away := range []time.Duration{time.Minute, 10 * time.Minute} {
			for _, far := range []float64{8190, 900, 268, 256, 120} {
				e, now, rng := level60(t, 1, every, 30*time.Minute)
				before := e.Estimate(now)
				for end := now.Add(away); now.Before(end); now = now.Add(every) {
					v := e.Observe(still(now, far+rng.NormFloat64()))
					require.False(t, v.Accepted, "%s of %s at %g", away, every, far)
				}
				if away > 5*time.Minute {
					x := e.Estimate(now)
					assert.Equal(t, QualitySuspect, x.Quality)
					assert.NotEmpty(t, x.QualityReason)
				}
				v := e.Observe(still(now, 200))
				assert.Equal(t, Verdict{Accepted: true}, v, "%s of %s at %g", away, every, far)
				x := e.Estimate(now)
				assert.Equal(t, QualityOK, x.Quality)
				assert.Equal(t, now, x.LastSeen)
				assert.InDelta(t, before.RisePercent, x.RisePercent, 2.5)
				assert.Empty(t, x.Notes)
			}
		}
	}
}

// reads is what a sensor reads so long after the beginning.
type reads func(after time.Duration, rng *rand.Rand) float64

// noisy reads one distance; then is first one and from a moment on another.
func noisy(mm, sdMM float64) reads {
	return func(_ time.Duration, rng *rand.Rand) float64 { return mm + sdMM*rng.NormFloat64() }
}

func (first reads) then(from time.Duration, later reads) reads {
	return func(after time.Duration, rng *rand.Rand) float64 {
		if after < from {
			return first(after, rng)
		}
		return later(after, rng)
	}
}

// TestWhatStandsInTheJar feeds a jar with dough 60 mm high. Garbage at the start is outvoted
// or found out, and so is a lid laid over the dough soon after; an empty vessel is no rise; a
// sensor that was moved, and moved back, does not change the rise; a fold that nobody told is
// found, and neither begins the rise anew nor counts as fallen; coarse steps are not stuck.
func TestWhatStandsInTheJar(t *testing.T) {
	all := []time.Duration{time.Second, 10 * time.Second, time.Minute}
	ten := all[1:2]
	dough := noisy(200, 1)
	hand := reads(func(_ time.Duration, rng *rand.Rand) float64 { return 40 + 150*rng.Float64() })
	folded := reads(func(after time.Duration, rng *rand.Rand) float64 {
		level := 60 + 10*max(after.Hours()-0.5, 0)
		if after > 90*time.Minute {
			level -= 7
		}
		return 260 - level + 0.8*rng.NormFloat64()
	})
	folded = folded.then(89*time.Minute, func(_ time.Duration, rng *rand.Rand) float64 { return 100 + 200*rng.Float64() }).then(90*time.Minute+30*time.Second, folded)
	slow := func(stepMM float64) reads {
		return func(after time.Duration, rng *rand.Rand) float64 { // 2 mm/h
			return math.Round((200-2*after.Hours()+0.15*stepMM*rng.NormFloat64())/stepMM) * stepMM
		}
	}
	edge := reads(func(after time.Duration, rng *rand.Rand) float64 {
		d := 198 + 3*float64(rng.IntN(2))
		if after < time.Minute && after%(4*time.Second) == 0 {
			return d + 6
		}
		return d
	})
	for _, c := range []struct {
		name    string
		auto    bool
		every   []time.Duration
		long    time.Duration
		reads   reads
		told    time.Duration // when a fold was told; 0 never
		level   float64       // mm; 0 is not looked at
		rise    float64
		started time.Duration
		notes   string // - is not looked at
	}{
		{"a lid at the start", true, all, 40 * time.Minute, noisy(60, 1).then(3*time.Minute, dough), 0, 60, 0, 0, "-"}, // the first valid height, even if it was a lid
		{"a hand at the start", true, all, 40 * time.Minute, hand.then(3*time.Minute, dough), 0, 60, 0, 0, "-"},
		{"nothing at the start", true, all, 40 * time.Minute, noisy(900, 0).then(3*time.Minute, dough), 0, 60, 0, 3 * time.Minute, "-"},
		{"empty at the start", true, ten, 50 * time.Minute, noisy(260, 1).then(20*time.Minute, dough), 0, 60, 0, 20 * time.Minute, "-"},
		{"a lid soon after", false, ten, 35 * time.Minute, dough.then(7*time.Minute, noisy(110, 1)).then(15*time.Minute, dough), 0, 60, 0, 0, ""},
		{"moved nearer", false, ten, 2 * time.Hour, noisy(200, 0.8).then(time.Hour, noisy(188, 0.8)), 0, 0, 0, 0, "moved"},
		{"and back", false, ten, 125 * time.Minute, noisy(200, 0.8).then(time.Hour, noisy(188, 0.8)).then(2*time.Hour, noisy(200, 0.8)), 0, 0, 0, 0, "moved moved_back"},
		{"moved far and back", false, ten, 125 * time.Minute, noisy(200, 0.8).then(time.Hour, noisy(175, 0.8)).then(2*time.Hour, noisy(200, 0.8)), 0, 0, 0, 0, "moved moved_back"},
		{"a fold found", false, all, 3 * time.Hour, folded, 0, 0, 30, 0, "fold"},
		{"a fold told", false, all, 3 * time.Hour, folded, 89 * time.Minute, 0, 30, 0, ""},
		{"slow in steps of 1 mm", false, ten, 8 * time.Hour, slow(1), 0, 0, 26.7, 0, "-"},
		{"slow in steps of 3 mm", false, ten, 8 * time.Hour, slow(3), 0, 0, 26.7, 0, "-"},
		// Of this row two draws in five are called stuck.
		{"to and fro between two steps, then on one", false, all[:1], time.Hour, edge.then(20*time.Minute, noisy(198, 0)), 0, 0, 2.5, 0, "-"},
	} {
		for _, every := range c.every {
			t.Run(c.name+" "+every.String(), func(t *testing.T) {
				cfg := goodConfig(t)
				cfg.AutoStart = c.auto
				e, err := New(cfg)
				require.NoError(t, err)
				rng := rand.New(rand.NewPCG(8, 3))
				if !c.auto {
					e.Begin(simEpoch)
				}
				for after := time.Duration(0); after < c.long; after += every {
					x := still(simEpoch.Add(after), c.reads(after, rng))
					if c.told > 0 && after == c.told {
						x.Event = Fold
					}
					e.Observe(x)
					if after%(3*time.Minute) == 0 {
						require.NotContains(t, []Phase{Over, Fallen}, e.Estimate(x.Time).Phase)
					}
				}
				x := e.Estimate(simEpoch.Add(c.long))
				if c.level > 0 {
					assert.InDelta(t, c.level, x.LevelMM, 1.5)
				}
				allowed := max(2.5, min(3*x.RiseSD, 5))
				if c.notes == "fold" { // or a sensor that moved: the doubt says so
					allowed = max(3.5, 3*x.RiseSD)
				}
				assert.InDelta(t, c.rise, x.RisePercent, allowed)
				assert.Equal(t, simEpoch.Add(c.started), x.Started)
				assert.Zero(t, e.counts()[rStuck.word()])
				var notes []string
				for _, n := range x.Notes {
					notes = append(notes, string(n.Kind))
				}
				if c.notes != "-" {
					assert.Equal(t, c.notes, strings.Join(notes, " "))
				}
			})
		}
	}
}

// A noisy sensor of coarse steps that hangs teaches no noise: what came before
// judges it, and what it hid is not taken for a leap.
func TestCoarseThatHangs(t *testing.T) {
	e, err := New(goodConfig(t))
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(8, 2))
	e.Begin(simEpoch)
	from, to := 30*time.Minute, 60*time.Minute
	level := func(after time.Duration) float64 { return 200 - 20*after.Hours() }
	for after := time.Duration(0); after < 80*time.Minute; after += time.Second {
		at := simEpoch.Add(after)
		d := math.Round((level(after)+1.5*rng.NormFloat64())/3) * 3
		if after >= from && after < to {
			d = 189
		}
		e.Observe(still(at, d))
		if after%time.Minute == 0 {
			e.Estimate(at)
		}
		switch after {
		case from + 12*time.Minute:
			assert.Greater(t, e.counts()[rStuck.word()], 60)
		case to + 5*time.Minute:
			x := e.Estimate(at)
			assert.InDelta(t, 200-level(after), x.LevelMM-(e.cfg.FloorMM-200), 1.5)
			assert.Less(t, x.RatePercentPerHour, 60.0, "no leap")
		}
	}
	assert.Greater(t, e.noise.sd(), 1.0, "the hanging taught nothing")
}

// Hands that fold without a word leave readings among the dough's that pass for
// level. Whether or not the small drop under them is found, the forecast is not taken in
// by it.
func TestASmallFoldUnderHands(t *testing.T) {
	s := plain()
	s.every, s.noiseMM, s.stepMM, s.hours = time.Second, 1.5, 3, 5
	s.knocks = []knockAt{{1.5, 0.6}, {2, 0.5}}
	s.disturb = s.folded
	e, err := New(s.config())
	require.NoError(t, err)
	grown := s.grow()
	due := grown.reaches(100)
	tr := s.run(e, time.Minute, func(h float64, x Estimate) {
		assert.False(t, x.LevelsOffShort, "at %.2f h", h)
		if h > 2.2 && h < 4.5 {
			assert.InDelta(t, grown.at(h), x.RisePercent, max(3, 2.5*x.RiseSD), "at %.2f h", h)
		}
		if h > due-0.75 && h < due-0.5 {
			assert.InDelta(t, due, x.Ready.Median.Sub(simEpoch).Hours(), 15.0/60, "at %.2f h", h)
		}
	})
	require.Equal(t, grown.reaches(100), tr.reaches(100))
}

func TestObserveDoesNotAllocate(t *testing.T) {
	e, now, rng := level60(t, 1, 10*time.Second, time.Hour)
	assert.Zero(t, testing.AllocsPerRun(5000, func() {
		now = now.Add(time.Second)
		s := still(now, 200+rng.NormFloat64())
		s.DoughC, s.AirC = 24+0.1*rng.NormFloat64(), 22
		if rng.IntN(10) == 0 {
			s.DistanceMM = 400 * rng.Float64()
		}
		e.Observe(s)
	}))
}

// FuzzObserve: no sample and no order of samples may panic, and what comes out
// is documented.
func FuzzObserve(f *testing.F) {
	f.Add(uint64(1), 200.0, 24.0, int64(60), byte(0))
	f.Add(uint64(2), math.Inf(1), -300.0, int64(-5), byte(2))
	f.Add(uint64(3), math.NaN(), math.NaN(), int64(1<<62), byte(1))
	f.Add(uint64(4), 1e308, math.Inf(-1), int64(1), byte(5))
	f.Fuzz(func(t *testing.T, seed uint64, mm, c float64, seconds int64, event byte) {
		e, now, rng := level60(t, 1, time.Minute, 20*time.Minute)
		events := []Event{NoEvent, Start, Fold, Fridge, Counter, End, "nonsense"}
		for i := range 40 {
			at := now.Add(time.Duration(seconds))
			if i%2 == 0 {
				at = now.Add(time.Duration(rng.IntN(100000)) * time.Millisecond)
			}
			s := Sample{Time: at, DistanceMM: mm, SDMM: c, DoughC: c, AirC: mm, Event: events[int(event)%len(events)]}
			if rng.IntN(3) == 0 {
				s = still(at, 200+rng.NormFloat64())
			}
			v := e.Observe(s)
			if v.Accepted == (v.Reason != "") {
				t.Fatalf("verdict %+v", v)
			}
			if at.After(now) && at.Sub(now) < time.Hour {
				now = at
			}
			checkEstimate(t, e.Estimate(now))
		}
		_ = seed
	})
}

// checkEstimate verifies what holds of every estimate.
func checkEstimate(t require.TestingT, x Estimate) {
	for name, v := range map[string]float64{
		"rise": x.RisePercent, "sd": x.RiseSD, "rate": x.RatePercentPerHour, "rate sd": x.RateSD,
		"level": x.LevelMM, "volume": x.VolumeL, "ceiling": x.CeilingPercent, "peak": x.PeakPercent,
		"carry over": x.CarryOverPercent, "baseline": x.BaselineL, "equivalent": x.EquivalentHours,
	} {
		require.False(t, math.IsInf(v, 0), name)
	}
	require.False(t, math.IsNaN(x.BaselineL) || math.IsNaN(x.EquivalentHours) || math.IsNaN(x.TargetPercent))
	require.Equal(t, math.IsNaN(x.RisePercent), math.IsNaN(x.RiseSD))
	require.Equal(t, math.IsNaN(x.RisePercent), math.IsNaN(x.RatePercentPerHour))
	if !math.IsNaN(x.RisePercent) {
		require.GreaterOrEqual(t, x.RiseSD, 0.0)
		require.Positive(t, x.BaselineL)
		require.Positive(t, x.BaselineSDL)
		require.False(t, x.Started.IsZero())
	}
	require.False(t, x.Ready.From.After(x.Ready.Median) || x.Ready.Median.After(x.Ready.Until))
	require.NotEmpty(t, x.Phase)
	require.Equal(t, x.Quality != QualityOK, x.QualityReason != "")
	if !math.IsNaN(x.ReachChance) {
		require.True(t, x.ReachChance >= 0 && x.ReachChance <= 1)
	}
	for i, c := range x.Fan {
		require.True(t, c.P10Percent <= c.P50Percent && c.P50Percent <= c.P90Percent, "column %d", i)
	}
}

// Random rises with random rubbish among them keep their invariants.
func TestEstimateInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := plain()
		s.hours = rapid.Float64Range(0.4, 3.4).Draw(t, "hours")
		s.speed = rapid.Float64Range(0.1, 2).Draw(t, "speed")
		s.every = time.Duration(rapid.IntRange(5, 90).Draw(t, "every")) * time.Second
		bad := rapid.Float64Range(0, 0.6).Draw(t, "bad")
		s.disturb = func(_, _ float64, rng *rand.Rand) (float64, bool) {
			return 500 * rng.Float64(), rng.Float64() < bad
		}
		cfg := s.config()
		cfg.Holds = rapid.SampledFrom([]Holds{Dough, Starter}).Draw(t, "holds")
		e, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		s.run(e, 15*time.Minute, func(_ float64, x Estimate) { checkEstimate(t, x) })
	})
}

// With a reading every two or five minutes the level after a told fold is known some
// readings later. Meanwhile nothing says that the dough is not seen; a sensor that
// dies with the fold is told.
func TestSeldomReadAfterAFold(t *testing.T) {
	for _, every := range []time.Duration{2 * time.Minute, 5 * time.Minute} {
		for _, dies := range []bool{false, true} {
			e, now, rng := level60(t, 0.5, every, time.Hour)
			folded, blind := now, false
			for now.Sub(folded) < 40*time.Minute {
				x := still(now, 207+0.5*rng.NormFloat64())
				if now.Equal(folded) {
					x.Event = Fold
				}
				if !dies || now.Equal(folded) {
					e.Observe(x)
				}
				now = now.Add(every)
				blind = blind || e.Estimate(now).Quality != QualityOK
			}
			assert.Equal(t, dies, blind, "every %s, dies: %v", every, dies)
		}
	}
}

// TestReasonsAreAllThatIsCounted: each once, but for what is no reading.
func TestReasonsAreAllThatIsCounted(t *testing.T) {
	var e Estimator
	for r := range e.rejected {
		e.rejected[r] = 1
	}
	got := Reasons()
	assert.Len(t, e.counts(), len(got))
	for word := range e.counts() {
		assert.Contains(t, got, word)
	}
	assert.NotContains(t, got, "")
	assert.NotContains(t, got, rMissing.word())
	assert.Len(t, slices.Compact(slices.Sorted(slices.Values(got))), len(got), "each once")
}
