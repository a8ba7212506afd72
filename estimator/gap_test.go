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

// unseen is a sensor that gives nothing between two hours.
func unseen(from, to float64) disturbance {
	return func(h, _ float64, _ *rand.Rand) (float64, bool) { return math.NaN(), h > from && h < to }
}

// A sensor that is moved, while it is seen or not, or that hangs: the filter neither
// follows the step bit by bit and calls it a collapse, nor leaps to the mark, and takes
// back what it believed of one that hung.
func TestASensorThatMovesOrHangs(t *testing.T) {
	s := tub()
	tr := s.grow()
	top, _ := tr.peak()
	gap := func(by float64) disturbance { return either(unseen(2.6, 3.1), s.moved(2.6, by)) }
	for _, c := range []struct {
		name        string
		every       time.Duration
		hours       float64
		reads       disturbance
		within, sds float64 // of the truth: points, or of the stated doubt if that is more
		note        string  // of what kind the first is, none, or some
	}{
		{"hardly more than the gate lets through: 7 mm", time.Minute, top, s.moved(top-1, 7), 8, 0, ""},
		{"8 mm", time.Minute, top, s.moved(top-1, 8), 8, 0, ""},
		{"9 mm", time.Minute, top, s.moved(top-1, 9), 8, 0, ""},
		{"11 mm", time.Minute, top, s.moved(top-1, 11), 8, 0, ""},
		{"farther in a gap: may have been a fold", time.Minute, 4.4, gap(18), 12, 3, "some"},
		{"nearer in a gap", time.Minute, 4.4, gap(-20), 12, 3, string(NoteMoved)},
		{"much nearer in a gap", time.Minute, 4.4, gap(-28), 12, 3, string(NoteMoved)},
		{"hangs, read every minute", time.Minute, 3.6, s.hangs(2.4, 3), 6, 0, "none"},
		{"hangs, read every ten seconds", 10 * time.Second, 3.6, s.hangs(2.4, 3), 6, 0, "none"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s.every, s.hours, s.disturb = c.every, c.hours, c.reads
			told := tell(t, s, nil, func(h float64, x Estimate) {
				if c.note == "none" && h > 2.8 && h < 3 {
					assert.Equal(t, SensorStuck, x.QualityReason)
				}
			})
			assert.NotContains(t, told.phases, Fallen)
			assert.InDelta(t, told.truth.at(c.hours-0.01), told.last.RisePercent, max(c.within, c.sds*told.last.RiseSD))
			switch c.note {
			case "":
			case "none":
				assert.Empty(t, told.last.Notes)
			default:
				require.NotEmpty(t, told.last.Notes)
				assert.True(t, c.note == "some" || c.note == string(told.last.Notes[0].Kind), told.last.Notes[0].Kind)
			}
		})
	}
}

// Dough that began to collapse while nothing was seen, and goes on: this is said.
func TestCollapseBeginsInAGap(t *testing.T) {
	s := tub()
	tr := s.grow()
	top, _ := tr.peak()
	s.hours, s.disturb = top+2.5, unseen(top-0.4, top+0.5)
	told := tell(t, s, nil, nil)
	require.Contains(t, told.phases, Fallen)
	assert.Less(t, told.at[Fallen], top+1.6)
}

// A starter that peaked while nothing was seen stands lower than foreseen, but not
// lower than before: it is believed as soon as its readings agree.
func TestStarterPeaksInAGap(t *testing.T) {
	for _, long := range []float64{0.6, 0.8} {
		s := starterSim()
		tr := s.grow()
		top, _ := tr.peak()
		from := top - long + 0.3
		s.hours, s.disturb = from+long+0.5, unseen(from, from+long)
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
		name          string
		noiseMM, from float64 // from: hours after its peak
		long          float64 // hours
	}{
		{"less than could not be foreseen", 0.5, 0, 0.25}, {"more than that", 1, -0.15, 0.45},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := starterSim()
			s.noiseMM = c.noiseMM
			tr := s.grow()
			top, high := tr.peak()
			from := top + c.from
			s.hours = from + c.long + 0.8
			require.Less(t, tr.at(from+c.long), min(tr.at(from), high)-5, "it fell unseen")
			s.disturb = unseen(from, from+c.long)
			last := Estimate{}
			tell(t, s, nil, func(h float64, x Estimate) {
				last = x
				after := 60 * (h - from - c.long)
				if after > 25 {
					assert.Less(t, x.RatePercentPerHour, -20.0, "%.0f min after", after)
					assert.Contains(t, []Phase{Peak, Falling, Hungry}, x.Phase, "%.0f min after", after)
				}
				if after > 35 {
					assert.Contains(t, []Phase{Falling, Hungry}, x.Phase, "%.0f min after", after)
				}
			})
			require.NotEmpty(t, last.Notes)
			for _, n := range last.Notes {
				assert.Equal(t, NoteSank, n.Kind)
			}
		})
	}
}
