package estimator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator/geometry"
)

// story is what was said of one rise.
type story struct {
	phases []Phase
	at     map[Phase]float64 // first hour of each
	last   Estimate
	short  float64 // first hour it was said to level off short; NaN never
	end    float64 // first hour it was said to be exhausted; NaN never
	truth  truth
}

// tell runs a simulation and keeps the story.
func tell(t *testing.T, s sim, change func(*Config), each func(hours float64, x Estimate)) story {
	t.Helper()
	cfg := s.config()
	if change != nil {
		change(&cfg)
	}
	e, err := New(cfg)
	require.NoError(t, err)
	out := story{at: map[Phase]float64{}, short: math.NaN(), end: math.NaN()}
	out.truth = s.run(e, 2*time.Minute, func(h float64, x Estimate) {
		checkEstimate(t, x)
		if n := len(out.phases); n == 0 || out.phases[n-1] != x.Phase {
			out.phases = append(out.phases, x.Phase)
			if _, ok := out.at[x.Phase]; !ok {
				out.at[x.Phase] = h
			}
		}
		if x.LevelsOffShort && math.IsNaN(out.short) {
			out.short = h
		}
		if x.Exhausted && math.IsNaN(out.end) {
			out.end = h
		}
		if each != nil {
			each(h, x)
		}
		out.last = x
	})
	return out
}

func TestDoughPhases(t *testing.T) {
	s := tell(t, plain(), nil, nil)
	assert.Equal(t, []Phase{Settling, Lag, Rising, Near, Ready, Over, Fallen}, s.phases)
	reach := s.truth.reaches(100)
	assert.InDelta(t, reach-0.5, s.at[Near], 9.0/60)
	assert.InDelta(t, reach, s.at[Ready], 5.0/60)
	assert.Greater(t, s.at[Over], reach+0.1)
	peakAt, peak := s.truth.peak()
	assert.Greater(t, s.at[Fallen], peakAt)
	assert.InDelta(t, peak, s.last.PeakPercent, 4)
	assert.True(t, s.last.ReadyIsPast)
	assert.InDelta(t, reach, s.last.Ready.Median.Sub(simEpoch).Hours(), 6.0/60)
	assert.Empty(t, s.last.Notes)
}

// The phases must not depend on how often the sensor is read.
func TestSamplingInvariance(t *testing.T) {
	var first map[Phase]float64
	for _, every := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
		sampled := plain()
		sampled.every, sampled.hours = every, 4
		s := tell(t, sampled, nil, nil)
		if first == nil {
			first = s.at
			continue
		}
		require.Len(t, s.at, len(first), "every %s", every)
		for p, h := range first {
			allowed := 6.0 / 60
			if p == Rising {
				allowed = 0.4 // the level crosses the threshold slowly
			}
			assert.InDelta(t, h, s.at[p], allowed, "%s every %s", p, every)
		}
	}
}

func starterSim() sim {
	s := plain()
	p, err := geometry.Cylinder(85, 200)
	if err != nil {
		panic(err)
	}
	s.profile, s.floorMM, s.startL, s.holds = p, 240, 0.25, Starter
	s.food, s.speed, s.cells, s.leak, s.collapse, s.hours = 2.2, 0.9, 0.15, 0.05, 0.2, 8
	return s
}

func TestStarterPhases(t *testing.T) {
	s := tell(t, starterSim(), nil, nil)
	assert.Equal(t, []Phase{Lag, Rising, Peak, Falling, Hungry}, s.phases)
	peakAt, peak := s.truth.peak()
	assert.InDelta(t, peakAt, s.at[Peak], 20.0/60, "the peak is found while it happens")
	assert.InDelta(t, peak, s.last.PeakPercent, 8)
	assert.InDelta(t, peakAt, s.last.PeakAt.Sub(simEpoch).Hours(), 15.0/60)
}

// A target above what the dough can do: said before the end that it levels off
// short, and at the end that no rise is left.
func TestTargetTooHigh(t *testing.T) {
	sampled := plain()
	sampled.food, sampled.speed, sampled.leak, sampled.collapse, sampled.hours = 0.9, 0.6, 0.04, 3, 10.5
	s := tell(t, sampled, nil, nil)
	peakAt, peak := s.truth.peak()
	require.Less(t, peak, 90.0)
	assert.Less(t, s.short, peakAt, "said early that it levels off short")
	assert.InDelta(t, peakAt, s.end, 0.9, "said when growth ended")
	assert.NotContains(t, s.phases, Ready)
	assert.Contains(t, s.phases, Over)
}

// Dough with no life in it.
func TestNoLife(t *testing.T) {
	sampled := plain()
	sampled.speed, sampled.hours = 0.01, 7.5
	s := tell(t, sampled, nil, nil)
	assert.Equal(t, []Phase{Settling, Lag}, s.phases)
	assert.False(t, math.IsNaN(s.short))
}

// Into the fridge in mid-rise: growth slows with the cold, which is neither the
// end of growth nor a collapse, though gas shrinks and the sensor shifts.
func TestFridge(t *testing.T) {
	sampled := plain()
	sampled.hours, sampled.collapse = 8, 0
	sampled.doughC = func(h float64) float64 {
		if h < 2 {
			return 24
		}
		return 4 + 20*math.Exp(-0.3*(h-2))
	}
	sampled.events = map[time.Duration]Event{2 * time.Hour: Fridge}
	sampled.disturb = sampled.moved(2, -12) // the sensor reads less in the cold
	real := sampled.grow()
	s := tell(t, sampled, func(c *Config) { c.TargetPercent = 200 }, func(h float64, x Estimate) {
		if h > 0.3 {
			assert.InDelta(t, real.at(h), x.RisePercent, max(8, 2*x.RiseSD), "no jump at %g", h)
		}
	})
	assert.NotContains(t, s.phases, Over)
	assert.NotContains(t, s.phases, Fallen)
	assert.True(t, math.IsNaN(s.end), "not exhausted, only cold")
	assert.InDelta(t, s.truth.at(8), s.last.RisePercent, max(8, 2*s.last.RiseSD))
}

// Nothing seen for a while: the estimate is carried on by the forecast with a
// growing doubt, and says so.
func TestGap(t *testing.T) {
	sampled := plain()
	sampled.hours = 3.2
	sampled.disturb = unseen(2, 2.75)
	quiet := math.NaN()
	s := tell(t, sampled, nil, func(h float64, x Estimate) {
		switch {
		case h > 2.1 && h < 2.75:
			assert.Equal(t, QualityGap, x.Quality, "at %g", h)
			assert.Equal(t, NoReading, x.QualityReason)
			assert.Equal(t, simEpoch.Add(2*time.Hour), x.LastSeen)
			quiet = x.RiseSD
		case h < 2 || h > 2.78:
			assert.Equal(t, QualityOK, x.Quality, "at %g", h)
		}
	})
	assert.Greater(t, quiet, 1.2, "doubt grows")
	assert.InDelta(t, s.truth.at(3.19), s.last.RisePercent, 3)
	assert.NotContains(t, s.phases, Fallen)
}

func TestNeverSeen(t *testing.T) {
	cfg := goodConfig(t)
	e, err := New(cfg)
	require.NoError(t, err)
	x := e.Estimate(simEpoch)
	checkEstimate(t, x)
	assert.Equal(t, Idle, x.Phase)
	e.Begin(simEpoch)
	x = e.Estimate(simEpoch.Add(time.Hour))
	checkEstimate(t, x)
	assert.Equal(t, QualityGap, x.Quality)
	assert.True(t, x.LastSeen.IsZero())
	assert.True(t, math.IsNaN(x.RisePercent))
}

// A new start begins a new rise and forgets the old one; an end is an end: what is said
// from then on is how things stood.
func TestStartAgainAndEnd(t *testing.T) {
	s := plain()
	s.hours = 2.5
	e, err := New(s.config())
	require.NoError(t, err)
	s.events = map[time.Duration]Event{0: Start, 90 * time.Minute: Start, 150*time.Minute - s.every: End}
	var last Estimate
	tr := s.run(e, time.Minute, func(h float64, x Estimate) {
		if h > 1.6 {
			require.Equal(t, simEpoch.Add(90*time.Minute), x.Started)
		}
		last = x
	})
	want := 100 * ((100+tr.at(2.48))/(100+tr.at(1.5)) - 1)
	assert.InDelta(t, want, last.RisePercent, 2.5)
	x := e.Estimate(simEpoch.Add(150 * time.Minute))
	assert.Equal(t, Ended, x.Phase)
	checkEstimate(t, x)
	later := e.Estimate(simEpoch.Add(14 * time.Hour))
	assert.Equal(t, []any{x.RisePercent, x.RiseSD, x.RatePercentPerHour, x.Ready, x.ReadyIsPast}, []any{later.RisePercent, later.RiseSD, later.RatePercentPerHour, later.Ready, later.ReadyIsPast})
	v := e.Observe(still(simEpoch.Add(15*time.Hour), 200))
	assert.Equal(t, rNoRise.word(), v.Reason, "a valid height after an end starts nothing")
}

// The mark is moved while it is near and after it was reached.
func TestMarkMoved(t *testing.T) {
	s := plain()
	s.hours = 4.5
	e, err := New(s.config())
	require.NoError(t, err)
	var seen []Phase
	tr := s.run(e, time.Minute, func(h float64, x Estimate) {
		checkEstimate(t, x)
		if n := len(seen); n == 0 || seen[n-1] != x.Phase {
			seen = append(seen, x.Phase)
			if x.Phase == Ready && x.TargetPercent == 100 {
				e.SetTarget(140)
				e.SetTarget(-3)
				e.SetTarget(math.NaN())
			}
		}
	})
	assert.Equal(t, []Phase{Settling, Lag, Rising, Near, Ready, Rising, Near, Ready, Over}, seen)
	x := e.Estimate(simEpoch.Add(270 * time.Minute))
	assert.InDelta(t, tr.reaches(140), x.Ready.Median.Sub(simEpoch).Hours(), 0.1)
}

// Nobody asks for an estimate for hours: the news for the forecast is handed
// over before its room runs out.
func TestLongSilence(t *testing.T) {
	s := plain()
	s.hours, s.every = 6, 30*time.Second
	e, err := New(s.config())
	require.NoError(t, err)
	tr := s.run(e, 24*time.Hour, func(float64, Estimate) {})
	x := e.Estimate(simEpoch.Add(6 * time.Hour))
	assert.InDelta(t, tr.at(6), x.RisePercent, min(2*x.RiseSD, 5))
	assert.InDelta(t, tr.reaches(100), x.Ready.Median.Sub(simEpoch).Hours(), 0.1)
}

func BenchmarkObserve(b *testing.B) {
	e, now, rng := level60(b, 1, 10*time.Second, time.Hour)
	noise := make([]float64, 1024)
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		now = now.Add(time.Second)
		s := still(now, 200+noise[i%1024])
		s.DoughC = 24
		e.Observe(s)
	}
}

func BenchmarkEstimate(b *testing.B) {
	s := plain()
	s.hours = 4
	e, err := New(s.config())
	if err != nil {
		b.Fatal(err)
	}
	s.run(e, time.Hour, func(float64, Estimate) {})
	at := simEpoch.Add(4 * time.Hour)
	b.Run("refit", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			e.rise.urgent = true
			e.Estimate(at)
		}
	})
	b.Run("no refit", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			e.Estimate(at)
		}
	})
}

// BenchmarkReplay is a whole rise of eight hours at 1 Hz with an estimate a
// minute.
func BenchmarkReplay(b *testing.B) {
	s := plain()
	s.hours, s.every = 8, time.Second
	t := s.grow()
	rng := rand.New(rand.NewPCG(1, 1))
	var samples []Sample
	for i := range int(s.hours * 3600) {
		samples = append(samples, s.sample(&t, float64(i)/3600, rng))
	}
	b.ResetTimer()
	for range b.N {
		e, err := New(s.config())
		if err != nil {
			b.Fatal(err)
		}
		for i, smp := range samples {
			e.Observe(smp)
			if i%60 == 0 {
				e.Estimate(smp.Time)
			}
		}
	}
	b.ReportMetric(float64(len(samples))*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rises/s")
}

// What a starter has to show, minute by minute, to be at its peak, falling or hungry: the
// last never while it rises.
func TestStarterByTheMinute(t *testing.T) {
	flat := view{highRise: 100, seeing: true, slow: 0.05, sinceDegas: 5}
	sinking := view{highRise: 100, seeing: true, slow: 0.5, fall: 0.05, rate: -10, sinceDegas: 5}
	stirred := func(v view, minutesAgo float64) view { v.sinceDegas = minutes(minutesAgo); return v }
	low := view{highRise: 120, rise: 60, seeing: true, slow: 0.05, fall: 0.2, rate: -2, rateSD: 1, growth: 3}
	old := view{highRise: 85, rise: 85, seeing: true, slow: 0.05, rate: 0.2, rateSD: 1, growth: 9}
	up := func(v view, slow, rate float64) view { v.slow, v.rate = slow, rate; return v }
	for _, c := range []struct {
		name  string
		from  Phase
		shows view
		times int // one a minute
		want  Phase
	}{
		{"flat for four minutes", Rising, flat, 5, Rising},
		{"flat for five", Rising, flat, 6, Peak},
		{"flat just after it was stirred", Rising, stirred(flat, 19), 60, Rising},
		{"flat a while after", Rising, stirred(flat, 20), 6, Peak},
		{"sinking just after it was stirred", Rising, stirred(sinking, 7), 60, Rising},
		{"sinking some minutes after", Rising, stirred(sinking, 8), 6, Peak},
		{"sinking for six minutes", Rising, sinking, 7, Falling},
		{"far down", Falling, low, 60, Hungry},
		{"long after the peak", Peak, old, 60, Hungry},
		{"far down, but rising", Falling, up(low, 0.5, 12), 60, Rising},
		{"far down, but rising slowly", Falling, up(low, 0.2, 5), 60, Falling},
		{"long after the peak, but rising slowly", Peak, up(old, 0.2, 5), 60, Peak},
		{"hungry, and fed without a word", Hungry, up(low, 0.5, 12), 60, Rising},
	} {
		p := phases{phase: c.from}
		if c.from != Rising {
			p.markGrowth = 1
		}
		for i := range c.times {
			c.shows.now = minutes(float64(i))
			p.starter(c.shows)
		}
		assert.Equal(t, c.want, p.phase, c.name)
	}
}
