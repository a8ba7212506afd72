package forecast

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator/kinetics"
)

// play feeds an invented level (percent of 1 L) once a minute with noise of half
// a percent, and refits every quarter of an hour.
func play(f *Fit, from, until float64, doughC func(h float64) float64, percent func(h float64) float64) {
	rng := rand.New(rand.NewPCG(7, uint64(from*60)))
	for m := int(from * 60); m < int(until*60); m++ {
		h := float64(m) / 60
		f.Temper(duration(h), doughC(h), math.NaN())
		f.Add(Point{At: duration(h), VolumeL: 1 + (percent(h)+0.5*rng.NormFloat64())/100, SDL: 0.005, DoughC: doughC(h), Hands: m == int(from*60)})
		if m%15 == 0 {
			f.Refit(duration(h))
		}
	}
	f.Refit(duration(until))
}

func constant(c float64) func(float64) float64 { return func(float64) float64 { return c } }

func gompertzRise(ceiling, mu, lag float64) func(float64) float64 {
	s := kinetics.Gompertz()
	return func(h float64) float64 { return s.Rise(ceiling, mu, lag, h) - s.Rise(ceiling, mu, lag, 0) }
}

func TestSaysWhyThereIsNoForecast(t *testing.T) {
	f := New(DefaultPrior("dough"))
	assert.Equal(t, "No reading of the level yet.", f.Crossing(100).Why)
	f.Refit(time.Minute)
	assert.Equal(t, "No forecast yet: the level has not been seen.", f.Crossing(100).Why)
	play(f, 0, 0.1, constant(24), constant(0))
	c := f.Crossing(100)
	assert.Equal(t, "No forecast yet: 10 minutes of readings are needed.", c.Why)
	assert.False(t, c.Known)
	assert.True(t, math.IsNaN(c.Chance))
	low, mid, high := f.Ceiling()
	assert.True(t, math.IsNaN(low) && math.IsNaN(mid) && math.IsNaN(high))
	assert.Empty(t, f.Fan(nil, time.Hour, 3))
	_, ok := f.Params()
	assert.False(t, ok)
	v, sd := f.Baseline()
	assert.InDelta(t, 1, v, 4*sd, "the first reading stands in")
}

// Early on there is little but the prior: the interval has to be wide.
func TestEarlyIntervalIsWide(t *testing.T) {
	f := New(DefaultPrior("dough"))
	play(f, 0, 0.5, constant(24), constant(0))
	c := f.Crossing(100)
	require.True(t, c.Known, c.Why)
	assert.Greater(t, (c.Until - c.From).Hours(), 3.0)
	assert.Greater(t, c.From.Hours(), 0.5)
}

func TestPastCrossingStaysPut(t *testing.T) {
	truth := gompertzRise(160, 40, 1)
	at := 0.0
	for truth(at) < 100 {
		at += 0.001
	}
	f := New(DefaultPrior("dough"))
	play(f, 0, at+0.5, constant(24), truth)
	first := f.Crossing(100)
	require.True(t, first.Known && first.Past)
	assert.InDelta(t, at, first.Median.Hours(), 0.08)
	play(f, at+0.5, at+4, constant(24), truth)
	later := f.Crossing(100)
	assert.True(t, later.Past)
	assert.InDelta(t, first.Median.Minutes(), later.Median.Minutes(), 4)
	assert.Greater(t, later.Chance, 0.99)
}

func TestTargetAboveTheCeiling(t *testing.T) {
	f := New(DefaultPrior("dough"))
	play(f, 0, 6, constant(24), gompertzRise(70, 25, 1))
	c := f.Crossing(100)
	assert.False(t, c.Known)
	assert.Less(t, c.Chance, 0.1)
	assert.Regexp(t, `^The rise will most likely not reach 100 %: it levels off near [67]\d %\.$`, c.Why)
	low, mid, high := f.Ceiling()
	assert.True(t, low > 60 && mid > 65 && mid < 75 && high < 85, "%v %v %v", low, mid, high)
}

// After the peak the dough falls in: the fit keeps what it knew, and a mark not
// reached is not promised any more.
func TestCollapseDoesNotBendTheFit(t *testing.T) {
	up := gompertzRise(150, 40, 1)
	f := New(DefaultPrior("dough"))
	level := func(h float64) float64 { return up(min(h, 4)) - 30*max(0, h-4) }
	play(f, 0, 4, constant(24), level)
	_, before, _ := f.Ceiling()
	play(f, 4, 5.5, constant(24), level)
	_, after, _ := f.Ceiling()
	assert.InDelta(t, before, after, 0.15*before)
	assert.True(t, f.Crossing(80).Past)
	c := f.Crossing(140)
	assert.False(t, c.Known)
	assert.Equal(t, "The rise did not reach 140 %: the level has been falling since its peak.", c.Why)
	g := New(DefaultPrior("dough"))
	g.Stop(duration(4))
	play(g, 0, 5.5, constant(24), level)
	assert.Equal(t, c.Why, g.Crossing(140).Why)
}

// A fold takes a fifth of the gas; the rise goes on from there and is not begun
// anew.
func TestFoldNeitherRestartsNorCollapses(t *testing.T) {
	up := gompertzRise(170, 35, 1)
	lost := 0.2 * up(2)
	level := func(h float64) float64 {
		if h < 2 {
			return up(h)
		}
		return up(h) - lost
	}
	f := New(DefaultPrior("dough"))
	play(f, 0, 2, constant(24), level)
	f.Disturb(duration(2), 0)
	play(f, 2, 3.5, constant(24), level)
	at := 3.5
	for level(at) < 100 {
		at += 0.001
	}
	c := f.Crossing(100)
	require.True(t, c.Known, c.Why)
	assert.InDelta(t, at, c.Median.Hours(), 0.35)
	v, _ := f.Baseline()
	assert.InDelta(t, 1, v, 0.01)
}

// A night in the refrigerator: the clock of the dough all but stops and the rise
// is one curve before and after.
func TestColdNight(t *testing.T) {
	cooling := kinetics.Fridge()
	temp := func(h float64) float64 {
		switch {
		case h < 2.5:
			return 24
		case h < 12.5:
			return cooling.Next(24, h-2.5)
		}
		return 24 - 20*math.Exp(-(h-12.5)/1.5)
	}
	curve := gompertzRise(150, 35, 1.5)
	equivalent := make([]float64, 20*60+1)
	for m := 1; m < len(equivalent); m++ {
		equivalent[m] = equivalent[m-1] + max(kinetics.Floor, kinetics.Ganzle(temp(float64(m)/60))/kinetics.Ganzle(24))/60
	}
	level := func(h float64) float64 { return curve(equivalent[int(h*60)]) }
	f := New(DefaultPrior("dough"))
	play(f, 0, 2.5, constant(24), level)
	low, mid, high := f.CarryOver()
	rest := level(12.5) - level(2.5)
	assert.InDelta(t, rest, mid, 0.5*rest, "carry-over %v %v %v", low, mid, high)
	assert.True(t, low < mid && mid < high)
	f.Cold(duration(2.5), true)
	play(f, 2.5, 12.5, temp, level)
	f.Cold(duration(12.5), false)
	play(f, 12.5, 13, temp, level)
	at := 12.5
	for level(at) < 100 {
		at += 1.0 / 60
	}
	c := f.Crossing(100)
	require.True(t, c.Known, c.Why)
	assert.True(t, c.From.Hours() < at+0.2 && c.Until.Hours() > at-0.2, "%v to %v, true %v", c.From, c.Until, at)
	assert.Less(t, f.EquivalentHours(), 7.0)
}

// The refrigerator is also assumed when nothing measures the dough.
func TestColdWithoutAProbe(t *testing.T) {
	f := New(DefaultPrior("dough"))
	f.Temper(0, 24, math.NaN())
	f.Cold(time.Minute, true)
	f.Temper(7*time.Hour, math.NaN(), 4)
	assert.InDelta(t, 5, f.clock.doughC, 0.7, "the published curve ends at 5 C after 7 h")
	assert.Less(t, f.EquivalentHours(), 3.0)
}

// A probe in the air that was carried into the refrigerator passes through 11 C
// on its way down: that is not where the dough will end.
func TestCarryOverWhileTheAirProbeCools(t *testing.T) {
	truth := gompertzRise(160, 40, 1)
	f := New(DefaultPrior("dough"))
	play(f, 0, 2, constant(25), truth)
	f.Cold(duration(2), true)
	_, before, _ := f.CarryOver()
	for m := 120; m < 240; m++ {
		h := float64(m) / 60
		f.Temper(duration(h), kinetics.Fridge().Next(25, h-2), 4+20*math.Exp(-(h-2)/0.7))
		if m%5 == 0 {
			f.Refit(duration(h))
			_, now, _ := f.CarryOver()
			assert.LessOrEqual(t, now, before+1, "at %d minutes: the colder it gets the less is left", m)
			before = now
		}
	}
	assert.Less(t, before, 45.0)
}

func TestDoughFollowsTheAir(t *testing.T) {
	f := New(DefaultPrior("dough"))
	for m := 0; m < 240; m++ { // a tub that follows in 1 h
		h := float64(m) / 60
		f.Temper(duration(h), 30-10*-math.Expm1(-h), 20)
	}
	assert.InDelta(t, 1, f.clock.relaxing(), 0.25)
	dst := make([]float64, 3)
	f.clock.future([]float64{0, 1, 3}, 0, dst)
	assert.InDelta(t, 20+10*math.Exp(-5), dst[1], 0.3)
}

// ChickWeight chick 1 (R datasets): growth with no end in sight. Hours stand for
// days, grams for millilitres. A ceiling must not be claimed.
func TestUnfinishedGrowthStaysWide(t *testing.T) {
	f := New(Prior{LogCeiling: Normal{math.Log(500), 1.2}, LogRate: Normal{math.Log(30), 1}, Lag: Normal{0.4, 0.5}, Response: Normal{0, 1}})
	days := []float64{0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 21}
	grams := []float64{42, 51, 59, 64, 76, 93, 106, 125, 149, 171, 199, 205}
	for i, d := range days {
		f.Add(Point{At: duration(d), VolumeL: grams[i] / 1000, SDL: 0.003, DoughC: 24})
	}
	f.Refit(duration(21))
	low, _, high := f.Ceiling()
	assert.Greater(t, high/low, 1.8)
	c := f.Crossing(1500)
	assert.Less(t, c.Chance, 0.9)
	if c.Known {
		assert.Greater(t, (c.Until - c.From).Hours(), 5.0)
	}
}

// Gause (1932) at 41 C: it grows a little and dies. Nothing to forecast.
func TestDyingCultureIsRefused(t *testing.T) {
	f := New(DefaultPrior("dough"))
	hoursAt := []float64{3, 6, 9.5, 13.5, 18, 24.5, 31, 38.5}
	amount := []float64{0.06, 0.18, 0.24, 0.36, 0.58, 0.48, 0.24, 0.26}
	f.Add(Point{At: 0, VolumeL: 1, SDL: 0.02, DoughC: 41})
	for i, h := range hoursAt {
		f.Add(Point{At: duration(h), VolumeL: 1 + amount[i], SDL: 0.02, DoughC: 41})
	}
	f.Refit(duration(39))
	c := f.Crossing(100)
	assert.False(t, c.Known)
	assert.Contains(t, c.Why, "falling since its peak")
}

func TestBadInputIsIgnored(t *testing.T) {
	clean, dirty := New(DefaultPrior("dough")), New(DefaultPrior("dough"))
	play(clean, 0, 2, constant(24), gompertzRise(150, 35, 1))
	play(dirty, 0, 2, constant(24), gompertzRise(150, 35, 1))
	for _, v := range []float64{math.NaN(), math.Inf(1), 0, -1} {
		dirty.Add(Point{At: duration(3), VolumeL: v, SDL: 0.01, DoughC: 24})
	}
	dirty.Add(Point{At: duration(1), VolumeL: 9, SDL: 0.01, DoughC: 24}) // runs back
	dirty.Add(Point{At: duration(-1), VolumeL: 9, SDL: 0.01, DoughC: 24})
	dirty.Temper(duration(1), 90, 90)
	dirty.Temper(duration(2), math.Inf(1), math.NaN())
	clean.Refit(duration(2))
	dirty.Refit(duration(2))
	assert.Equal(t, clean.Crossing(100), dirty.Crossing(100))
}

func TestRepeatsExactly(t *testing.T) {
	run := func() (Crossing, []FanColumn) {
		f := New(DefaultPrior("starter"))
		play(f, 0, 3, constant(26), gompertzRise(150, 35, 1))
		return f.Crossing(100), f.Fan(nil, 10*time.Minute, 12)
	}
	a, fanA := run()
	b, fanB := run()
	assert.Equal(t, a, b)
	assert.Equal(t, fanA, fanB)
}

func TestSamplePathAllocatesNothing(t *testing.T) {
	f := New(DefaultPrior("dough"))
	at := time.Duration(0)
	assert.Zero(t, testing.AllocsPerRun(20000, func() {
		at += time.Second
		f.Temper(at, 24, 22)
		f.Add(Point{At: at, VolumeL: 1, SDL: 0.01, DoughC: 24})
	}))
	assert.LessOrEqual(t, f.bins.n, maxBins)
}

// Whatever comes in, in whatever order, what comes out is in order and finite.
func TestAnyRecord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := New(DefaultPrior("dough"))
		at := 0.0
		for range rapid.IntRange(0, 120).Draw(t, "n") {
			at += rapid.Float64Range(0, 0.5).Draw(t, "dt")
			switch rapid.IntRange(0, 12).Draw(t, "what") {
			case 0:
				f.Disturb(duration(at), rapid.Float64Range(-1, 1).Draw(t, "loss"))
			case 1:
				f.Cold(duration(at), rapid.Bool().Draw(t, "in"))
			case 2:
				f.Temper(duration(at), rapid.Float64Range(-30, 90).Draw(t, "dough"), rapid.Float64Range(-30, 90).Draw(t, "air"))
			default:
				f.Add(Point{At: duration(at), VolumeL: rapid.Float64Range(0.1, 9).Draw(t, "v"), SDL: rapid.Float64Range(0, 1).Draw(t, "sd"), DoughC: math.NaN()})
			}
		}
		f.Refit(duration(at))
		c := f.Crossing(rapid.Float64Range(-10, 400).Draw(t, "rise"))
		assert.True(t, c.From <= c.Median && c.Median <= c.Until, "%+v", c)
		assert.True(t, math.IsNaN(c.Chance) || c.Chance >= 0 && c.Chance <= 1.000001, "%+v", c)
		assert.NotEqual(t, c.Known, c.Why != "")
		if low, mid, high := f.Ceiling(); f.fitted {
			assert.True(t, low <= mid && mid <= high && finite(low) && finite(high))
			p, sd := f.Rise(duration(at))
			assert.True(t, finite(p) && finite(sd))
			for _, col := range f.Fan(nil, time.Hour, 5) {
				assert.True(t, col.P10Percent <= col.P50Percent && col.P50Percent <= col.P90Percent)
			}
		}
	})
}

func TestPriorLearns(t *testing.T) {
	p := DefaultPrior("dough")
	var past []Params
	for _, c := range []float64{180, 190, 200, 185, 195, 190} {
		q := Params{LogCeiling: math.Log(c), LogRate: math.Log(22), Lag: 0.2}
		q.Cov = [3][3]float64{{0.01}, {0, 0.01}, {0, 0, 0.004}}
		past = append(past, q)
	}
	learned := p.Learn(past)
	assert.InDelta(t, math.Log(190), learned.LogCeiling.Mean, 0.05)
	assert.InDelta(t, math.Log(22), learned.LogRate.Mean, 0.15)
	assert.Less(t, learned.LogCeiling.SD, p.LogCeiling.SD)
	assert.GreaterOrEqual(t, learned.LogCeiling.SD, 0.15)
	assert.Equal(t, p, p.Learn(nil))
	vague := Params{LogCeiling: 9, LogRate: 9, Lag: 3, Cov: [3][3]float64{{1}, {0, 1}, {0, 0, 1}}}
	assert.Equal(t, p, p.Learn([]Params{vague}), "a rise that taught nothing changes nothing")
}

func TestPriorFromBatch(t *testing.T) {
	p := DefaultPrior("dough")
	assert.Greater(t, p.Inoculated(0.4).LogRate.Mean, p.LogRate.Mean)
	assert.Less(t, p.Inoculated(0.1).LogRate.Mean, p.LogRate.Mean)
	assert.Equal(t, p, p.Inoculated(0))
	assert.Equal(t, p, p.Inoculated(7))
	assert.Less(t, p.Salted(3).LogRate.Mean, p.LogRate.Mean)
	assert.Equal(t, p, p.Salted(50))
}

// The table of the benchmark, small: it guards that the forecast beats the line
// and that its intervals are neither lies nor shrugs. The full one is printed by
// BenchmarkAccuracy.
func TestAccuracySmall(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	var ours []float64
	var line [3][]float64
	covers := 0.0
	const n = 24
	for i := range n {
		v := judge(newRise(77_000_000+uint64(i), i%4))[2]
		ours = append(ours, v.ours)
		for k := range line {
			line[k] = append(line[k], v.line[k])
		}
		covers += covered(v)
	}
	assert.Less(t, median(ours), 9.0, "minutes, an hour ahead")
	assert.Less(t, median(ours), min(median(line[0]), median(line[1]), median(line[2])))
	assert.True(t, covers/n > 0.55 && covers/n < 0.98, "%v", covers/n)
}

// Folds nobody told, too small to be found: hands are in the way for two minutes,
// the dough is dented and fills again. The forecast must not read the dents as a
// rise that slows down and then races.
func TestQuietFolds(t *testing.T) {
	for _, c := range []struct{ rate, lag, hoursBefore float64 }{{30, 2, 2}, {40, 2, 2}, {30, 2, 1}, {30, 0.5, 2}} {
		truth := gompertzRise(170, c.rate, c.lag)
		at := 0.0
		for truth(at) < 100 {
			at += 0.001
		}
		level := func(h float64) float64 {
			g := truth(h)
			for _, fold := range []float64{0.5, 1, 1.5} {
				if h >= fold {
					g -= 9 * math.Exp(-(h-fold)/0.3)
				}
			}
			return g
		}
		f := New(DefaultPrior("dough"))
		for _, span := range [][2]float64{{0, 0.5}, {0.5 + 2.0/60, 1}, {1 + 2.0/60, 1.5}, {1.5 + 2.0/60, at - c.hoursBefore}} {
			play(f, span[0], span[1], constant(24), level)
		}
		x := f.Crossing(100)
		require.True(t, x.Known, x.Why)
		assert.InDelta(t, at, x.Median.Hours(), 0.4, "%+v", c)
		assert.Less(t, x.From.Hours(), at, "%+v", c)
		assert.Greater(t, x.Until.Hours(), at, "%+v", c)
	}
}

func TestPausesThatMayHideAFold(t *testing.T) {
	for name, c := range map[string]struct {
		every, pause, level float64
		hands, want         bool
	}{
		"two minutes of hands":           {0.5, 2, 1.1, true, true},
		"hands between slow readings":    {1, 3, 1.1, true, true},
		"a silent sensor saw no hands":   {0.5, 2, 1.1, false, false},
		"one reading lost":               {1, 2, 1.1, true, false},
		"a pause between slow readings":  {5, 8, 1.1, true, false},
		"too late in the rise for folds": {0.5, 2, 1.7, true, false},
		"the sensor was gone":            {0.5, 40, 1.1, true, false},
	} {
		b := bins{width: firstWidth}
		for i := range 40 {
			level := 1.0
			if i > 20 {
				level = c.level
			}
			b.add(float64(i)*c.every/60, level, 0.01, 0, 0, false)
		}
		assert.Zero(t, b.hands, name)
		b.add((39*c.every+c.pause)/60, c.level, 0.01, 0, 0, c.hands)
		assert.Equal(t, c.want, b.hands == 1, name)
		assert.Equal(t, c.want, b.list[b.n-1].dent > 0, name)
	}
}
