package estimator

import (
	"math"
	"math/rand/v2"
	"slices"
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

func TestStuck(t *testing.T) {
	e, now, _ := level60(t, 1, 10*time.Second, 30*time.Minute)
	refused := 0
	for range 60 {
		if v := e.Observe(still(now, 199.3127)); v.Reason == rStuck.word() {
			refused++
		}
		now = now.Add(10 * time.Second)
	}
	assert.Greater(t, refused, 40, "ten minutes of the same digits")
	x := e.Estimate(now)
	assert.Equal(t, QualitySuspect, x.Quality)
	assert.Equal(t, SensorStuck, x.QualityReason)
	assert.NotEqual(t, Fallen, x.Phase)
	v := e.Observe(still(now, 200.4))
	assert.True(t, v.Accepted, "moves again")
}

// A sensor with coarse steps and little noise rests on one value for long: that
// is not stuck.
func TestCoarseIsNotStuck(t *testing.T) {
	for _, step := range []float64{1, 3} {
		cfg := goodConfig(t)
		e, err := New(cfg)
		require.NoError(t, err)
		rng := rand.New(rand.NewPCG(8, 1))
		e.Begin(simEpoch)
		for i := range 6 * 60 * 8 {
			at := simEpoch.Add(time.Duration(i) * 10 * time.Second)
			grown := 2 * at.Sub(simEpoch).Hours() // 2 mm/h: slow
			e.Observe(still(at, math.Round((200-grown+0.15*step*rng.NormFloat64())/step)*step))
		}
		assert.Zero(t, e.counts()[rStuck.word()], "step %g", step)
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

// A quiet sensor first stands on the edge between two steps and goes to and fro,
// then rests in the middle of one: nor is that stuck, hands at the start or not.
func TestQuietBetweenTwoStepsIsNotStuck(t *testing.T) {
	e, err := New(goodConfig(t))
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(8, 3))
	e.Begin(simEpoch)
	for i := range 3600 {
		d := 198 + 3*float64(rng.IntN(2))
		switch {
		case i < 60 && i%4 == 0:
			d += 6
		case i >= 1200:
			d = 198
		}
		e.Observe(still(simEpoch.Add(time.Duration(i)*time.Second), d))
	}
	assert.Zero(t, e.counts()[rStuck.word()])
}

// A hand or a lid at the very start is outvoted or found out.
func TestGarbageAtTheStart(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
		for name, odd := range map[string]func(*rand.Rand) float64{
			"lid":  func(r *rand.Rand) float64 { return 60 + r.NormFloat64() },
			"hand": func(r *rand.Rand) float64 { return 40 + 150*r.Float64() },
			"far":  func(r *rand.Rand) float64 { return 900 },
		} {
			cfg := goodConfig(t)
			cfg.AutoStart = true
			e, err := New(cfg)
			require.NoError(t, err)
			rng := rand.New(rand.NewPCG(3, 3))
			now := simEpoch
			for ; now.Before(simEpoch.Add(3 * time.Minute)); now = now.Add(every) {
				e.Observe(still(now, odd(rng)))
			}
			first := now
			for ; now.Before(simEpoch.Add(40 * time.Minute)); now = now.Add(every) {
				e.Observe(still(now, 200+rng.NormFloat64()))
			}
			x := e.Estimate(now)
			assert.InDelta(t, 60, x.LevelMM, 1.5, "%s every %s", name, every)
			assert.InDelta(t, 0, x.RisePercent, min(2*x.RiseSD, 5), "%s every %s", name, every)
			want := simEpoch // the first valid height, even if it was a lid
			if name == "far" {
				want = first
			}
			assert.Equal(t, want, x.Started, "%s every %s", name, every)
		}
	}
}

// An empty vessel is no rise: it begins when there is something in it.
func TestEmptyVesselStartsNothing(t *testing.T) {
	cfg := goodConfig(t)
	cfg.AutoStart = true
	e, err := New(cfg)
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(3, 9))
	filled := simEpoch.Add(20 * time.Minute)
	for now := simEpoch; now.Before(filled.Add(30 * time.Minute)); now = now.Add(10 * time.Second) {
		distanceMM := cfg.FloorMM
		if !now.Before(filled) {
			distanceMM -= 60
		}
		e.Observe(still(now, distanceMM+rng.NormFloat64()))
		if now.Before(filled) {
			require.Equal(t, Idle, e.Estimate(now).Phase)
		}
	}
	x := e.Estimate(filled.Add(30 * time.Minute))
	assert.Equal(t, filled, x.Started)
	assert.InDelta(t, 60, x.LevelMM, 1.5)
}

// A fold found by itself: the level drops and stays. The rise is neither begun
// anew nor called fallen.
func TestFoldFoundByItself(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
		for _, told := range []bool{false, true} {
			cfg := goodConfig(t)
			e, err := New(cfg)
			require.NoError(t, err)
			rng := rand.New(rand.NewPCG(3, 4))
			e.Begin(simEpoch)
			level := func(h float64) float64 {
				up := 10 * max(h-0.5, 0) // mm
				if h > 1.5 {
					up -= 7
				}
				return 60 + up
			}
			for at := time.Duration(0); at < 3*time.Hour; at += every {
				h := at.Hours()
				s := still(simEpoch.Add(at), 260-level(h)+0.8*rng.NormFloat64())
				if h > 1.48 && h < 1.51 {
					s.DistanceMM = 100 + 200*rng.Float64() // hands
				}
				if told && at == 89*time.Minute {
					s.Event = Fold
				}
				e.Observe(s)
				if at%(3*time.Minute) == 0 {
					x := e.Estimate(s.Time)
					require.NotContains(t, []Phase{Over, Fallen}, x.Phase)
				}
			}
			x := e.Estimate(simEpoch.Add(3 * time.Hour))
			assert.InDelta(t, 100*18/60.0, x.RisePercent, max(3.5, 3*x.RiseSD), "every %s told %v", every, told)
			assert.Equal(t, Rising, x.Phase)
			assert.Equal(t, simEpoch, x.Started)
			if told {
				assert.Empty(t, x.Notes)
			} else {
				assert.Len(t, x.Notes, 1)
				assert.Equal(t, NoteFold, x.Notes[0].Kind)
			}
		}
	}
}

// A nudged sensor: the reading jumps towards the sensor and stays. The rise is
// counted on as if nothing had happened.
func TestSensorMoved(t *testing.T) {
	for _, by := range []float64{-12, -25} {
		e, now, rng := level60(t, 0.8, 10*time.Second, time.Hour)
		for range 60 * 6 {
			e.Observe(still(now, 200+by+0.8*rng.NormFloat64()))
			now = now.Add(10 * time.Second)
		}
		x := e.Estimate(now)
		assert.InDelta(t, 0, x.RisePercent, min(2*x.RiseSD, 5), "by %g", by)
		require.Len(t, x.Notes, 1)
		assert.Equal(t, NoteMoved, x.Notes[0].Kind)
		for range 30 {
			e.Observe(still(now, 200+0.8*rng.NormFloat64()))
			now = now.Add(10 * time.Second)
		}
		x = e.Estimate(now)
		assert.InDelta(t, 0, x.RisePercent, min(2*x.RiseSD, 5), "back again")
		assert.Equal(t, NoteMovedBack, x.Notes[1].Kind)
	}
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
