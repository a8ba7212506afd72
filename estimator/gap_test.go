package estimator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// tub is an invented rise read by a coarse sensor once a minute: the one with
// which a step is hardest to tell from noise.
func tub() sim {
	s := plain()
	s.noiseMM, s.stepMM, s.every, s.hours = 1.2, 1, time.Minute, 7
	return s
}

// A sensor nudged away by hardly more than the gate lets through, after the mark:
// the filter must not follow the step bit by bit and call it a collapse.
func TestSmallBumpIsNoCollapse(t *testing.T) {
	for _, by := range []float64{7, 8, 9, 11} {
		s := tub()
		tr := s.grow()
		top, _ := tr.peak()
		s.hours = top
		s.disturb = func(h, level float64, rng *rand.Rand) (float64, bool) {
			return s.floorMM - level + by + s.noiseMM*rng.NormFloat64(), h > top-1
		}
		told := tell(t, s, nil, nil)
		assert.NotContains(t, told.phases, Fallen, "by %g mm", by)
		assert.InDelta(t, told.truth.at(s.hours), told.last.RisePercent, 8, "by %g mm", by)
	}
}

// While nothing was seen the sensor was moved, up or down. Neither is taken for
// what the dough did: no collapse, no leap to the mark.
func TestMovedInAGap(t *testing.T) {
	for _, by := range []float64{18, -20, -28} {
		s := tub()
		s.hours = 4.4
		s.disturb = func(h, level float64, rng *rand.Rand) (float64, bool) {
			if h > 2.6 && h < 3.1 {
				return math.NaN(), true
			}
			return s.floorMM - level + by + s.noiseMM*rng.NormFloat64(), h > 2.6
		}
		told := tell(t, s, nil, nil)
		assert.NotContains(t, told.phases, Fallen, "by %g mm", by)
		assert.InDelta(t, told.truth.at(4.39), told.last.RisePercent, max(12, 3*told.last.RiseSD), "by %g mm", by)
		require.NotEmpty(t, told.last.Notes, "by %g mm", by)
		if by < 0 { // a drop may have been a fold
			assert.Equal(t, NoteMoved, told.last.Notes[0].Kind, "by %g mm", by)
		}
	}
}

// Dough that began to collapse while nothing was seen, and goes on: this is said.
func TestCollapseBeginsInAGap(t *testing.T) {
	s := tub()
	tr := s.grow()
	top, _ := tr.peak()
	s.hours = top + 2.5
	s.disturb = func(h, _ float64, _ *rand.Rand) (float64, bool) {
		return math.NaN(), h > top-0.4 && h < top+0.5
	}
	told := tell(t, s, nil, nil)
	require.Contains(t, told.phases, Fallen)
	assert.Less(t, told.at[Fallen], top+1.6)
}

// A sensor that hangs: what was believed of it before that was noticed is taken
// back, so that growth is not thought to have stopped.
func TestHangingSensorIsTakenBack(t *testing.T) {
	for _, every := range []time.Duration{10 * time.Second, time.Minute} {
		s := tub()
		s.every, s.hours = every, 3.6
		held := math.NaN()
		s.disturb = func(h, level float64, _ *rand.Rand) (float64, bool) {
			if h < 2.4 || h > 3 {
				return 0, false
			}
			if math.IsNaN(held) {
				held = s.floorMM - level
			}
			return held, true
		}
		told := tell(t, s, nil, func(h float64, x Estimate) {
			if h > 2.8 && h < 3 {
				require.Equal(t, QualitySuspect, x.Quality)
				assert.Equal(t, SensorStuck, x.QualityReason)
			}
		})
		assert.InDelta(t, told.truth.at(3.59), told.last.RisePercent, 6, "every %s", every)
		assert.Empty(t, told.last.Notes, "no step, every %s", every)
	}
}

// How long a sensor rests on one value by nature is not learnt from a gap, nor
// from a spell in which it hung.
func TestRunsOfIdenticalReadings(t *testing.T) {
	n := newNoise(1)
	at := 0.0
	see := func(mm float64, minutesLater float64) {
		at += minutes(minutesLater)
		n.saw(mm, at, minutes(1))
	}
	see(200, 0)
	see(200, 2)
	see(201, 1)
	assert.InDelta(t, minutes(3), n.longest, 1e-9)
	see(201, 40)
	assert.Equal(t, 1, n.run, "a run does not reach over a gap")
	see(202, 1)
	for range 20 {
		see(202, 1)
	}
	n.hung = true
	see(207, 1)
	assert.InDelta(t, minutes(3), n.longest, 1e-9, "it hung, and came back with a jump")
}

// Something laid over the dough in the first minutes, after the dough was seen:
// the start stays the dough's.
func TestLidOverTheStart(t *testing.T) {
	e, now, rng := level60(t, 1, 10*time.Second, 7*time.Minute)
	for range 6 * 8 {
		e.Observe(still(now, 110+rng.NormFloat64()))
		now = now.Add(10 * time.Second)
	}
	for range 6 * 20 {
		e.Observe(still(now, 200+rng.NormFloat64()))
		now = now.Add(10 * time.Second)
	}
	x := e.Estimate(now)
	assert.InDelta(t, 60, x.LevelMM, 1.5)
	assert.InDelta(t, 0, x.RisePercent, 2.5)
	assert.Empty(t, x.Notes)
}

// A starter that peaked while nothing was seen stands lower than foreseen, but not
// lower than before: it is believed as soon as its readings agree.
func TestStarterPeaksInAGap(t *testing.T) {
	for _, long := range []float64{0.6, 0.8} {
		s := starterSim()
		tr := s.grow()
		top, _ := tr.peak()
		from := top - long + 0.3
		s.hours = from + long + 0.5
		s.disturb = func(h, _ float64, _ *rand.Rand) (float64, bool) { return math.NaN(), h > from && h < from+long }
		tell(t, s, nil, func(h float64, x Estimate) {
			if h > from+long+3.0/60 {
				assert.Equal(t, QualityOK, x.Quality, "%.1f min after, %g h unseen: %s", 60*(h-from-long), long, x.QualityReason)
				assert.InDelta(t, tr.at(h), x.RisePercent, max(8, 3*x.RiseSD))
			}
		})
	}
}

// A starter that peaked and fell while nothing was seen was not folded: it is known to
// be past its peak before twenty minutes have gone, and at once that it falls.
func TestStarterFallsInAGap(t *testing.T) {
	for _, c := range []struct {
		name               string
		noiseMM, from      float64 // from: hours after its peak
		long               float64 // hours
		falls, peak, going float64 // minutes after the gap: rate, phase peak, phase falling
		note               NoteKind
	}{
		{"less than could not be foreseen", 0.5, 0, 0.25, 25, 25, 35, NoteSank},
		{"more than that", 1, -0.15, 0.45, 25, 25, 35, NoteSank},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := starterSim()
			s.noiseMM = c.noiseMM
			tr := s.grow()
			top, high := tr.peak()
			from := top + c.from
			s.hours = from + c.long + 0.8
			require.Less(t, tr.at(from+c.long), min(tr.at(from), high)-5, "it fell unseen")
			s.disturb = func(h, _ float64, _ *rand.Rand) (float64, bool) { return math.NaN(), h > from && h < from+c.long }
			last := Estimate{}
			tell(t, s, nil, func(h float64, x Estimate) {
				last = x
				after := 60 * (h - from - c.long)
				if after > c.falls {
					assert.Less(t, x.RatePercentPerHour, -20.0, "%.0f min after", after)
				}
				if after > c.peak {
					assert.Contains(t, []Phase{Peak, Falling, Hungry}, x.Phase, "%.0f min after", after)
				}
				if after > c.going {
					assert.Contains(t, []Phase{Falling, Hungry}, x.Phase, "%.0f min after", after)
				}
			})
			require.NotEmpty(t, last.Notes)
			for _, n := range last.Notes {
				assert.Equal(t, c.note, n.Kind)
			}
		})
	}
}
