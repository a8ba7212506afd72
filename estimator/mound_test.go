package estimator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ball is an invented rise that was filled in as a ball: its middle stands higher
// by a share and sinks with a time constant in minutes.
func ball(share, minutes float64, seed uint64) sim {
	s := plain()
	s.speed, s.seed, s.noiseMM = 0.5, seed, 1.2
	s.mound, s.spreads = share, minutes/60
	return s
}

// A ball that spreads after it was filled in: the start is where it settles, so
// that the mark is neither called early nor late.
func TestBallSpreads(t *testing.T) {
	for _, takes := range []float64{4, 8, 15} {
		t.Run(fmt.Sprint(takes), func(t *testing.T) {
			s := ball(0.12, takes, 2)
			tr := s.grow()
			reach := tr.reaches(100)
			s.hours = reach + 0.3
			told := tell(t, s, nil, func(h float64, x Estimate) {
				if h > 1 {
					assert.InDelta(t, tr.at(h), x.RisePercent, 6, "at %.2f h", h)
				}
			})
			assert.InDelta(t, s.startL, told.last.BaselineL, 0.025*s.startL)
			assert.InDelta(t, reach, told.at[Ready], 11.0/60)
			assert.Equal(t, []Phase{Settling, Lag, Rising, Near, Ready}, told.phases)
		})
	}
}

// Some minutes without readings while a ball spreads: what was seen before and
// after still tells where it settles.
func TestBallBehindAGap(t *testing.T) {
	for _, takes := range []float64{4, 9, 15} {
		for _, from := range []float64{3, 9, 15} {
			for _, long := range []float64{7, 12} {
				s := ball(0.15, takes, 1)
				s.hours = 1.5
				s.disturb = func(h, _ float64, _ *rand.Rand) (float64, bool) { return math.NaN(), 60*h >= from && 60*h < from+long }
				told := tell(t, s, nil, nil)
				assert.InDelta(t, s.startL, told.last.BaselineL, 0.025*s.startL, "takes %g min, unseen for %g min from %g on", takes, long, from)
			}
		}
	}
}

func TestMoundAlone(t *testing.T) {
	watch := func(level func(hours float64) float64, noiseMM float64, seed uint64) mound {
		rng := rand.New(rand.NewPCG(seed, 4))
		var m mound
		for i := range 100 {
			h := float64(i) * bucketHours
			m.add(level(h)+noiseMM*rng.NormFloat64(), h)
		}
		return m
	}
	m := watch(func(h float64) float64 { return 60 + 7*math.Exp(-h/0.15) }, 0, 1)
	require.True(t, m.sinks && m.settled)
	level, _ := m.level()
	assert.InDelta(t, 60, level, 0.6, "a percent may have grown meanwhile, for all that is known")
	m = watch(func(h float64) float64 { return 60 + 7*math.Exp(-h/0.15) }, 0.4, 1)
	level, variance := m.level()
	assert.InDelta(t, 60, level, 2.5*math.Sqrt(variance))

	wrong := 0
	for seed := range uint64(300) {
		still := watch(func(float64) float64 { return 60 }, 1.5, seed)
		risen := watch(func(h float64) float64 { return 60 + 8*h }, 0.5, seed)
		wrong += b2i(still.sinks) + b2i(risen.sinks)
		assert.True(t, still.settled && risen.settled, "the watch ends")
	}
	assert.LessOrEqual(t, wrong, 1, "noise and growth are no ball that sinks")
}

// A ball that is folded, or not seen, while it still spreads: the watch ends, and
// there is a forecast all the same.
func TestBallInterrupted(t *testing.T) {
	for name, change := range map[string]func(*sim){
		"fold": func(s *sim) {
			s.events = map[time.Duration]Event{15 * time.Minute: Fold}
			s.knocks = []knockAt{{0.25, 0.3}}
		},
		"gap": func(s *sim) {
			s.disturb = func(h, _ float64, _ *rand.Rand) (float64, bool) { return math.NaN(), h > 0.2 && h < 1 }
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := ball(0.12, 8, 1)
			s.hours = 3
			change(&s)
			told := tell(t, s, nil, nil)
			assert.False(t, told.last.Ready.IsZero(), told.last.NoForecast)
			assert.InDelta(t, s.startL, told.last.BaselineL, 0.06*s.startL)
		})
	}
}

// BenchmarkBall prints how well the start and the mark are told after a ball was
// filled in, means over three seeds.
func BenchmarkBall(b *testing.B) {
	for range b.N {
		fmt.Fprintf(os.Stdout, "%6s %8s %12s %12s %12s\n", "ball", "minutes", "start off %", "near off min", "mark off min")
		for _, share := range []float64{0, 0.06, 0.12} {
			for _, takes := range []float64{4, 8, 15, 25} {
				var start, near, ready float64
				for seed := range uint64(3) {
					s := ball(share, takes, seed+1)
					tr := s.grow()
					reach := tr.reaches(100)
					s.hours = reach + 0.4
					e, err := New(s.config())
					require.NoError(b, err)
					at := map[Phase]float64{}
					var last Estimate
					s.run(e, time.Minute, func(h float64, x Estimate) {
						if _, ok := at[x.Phase]; !ok {
							at[x.Phase] = h
						}
						last = x
					})
					start += 100 * (last.BaselineL/s.startL - 1) / 3
					near += 60 * (at[Near] - reach + 0.5) / 3
					ready += 60 * (at[Ready] - reach) / 3
				}
				fmt.Fprintf(os.Stdout, "%5.0f%% %8.0f %12.1f %12.1f %12.1f\n", 100*share, takes, start, near, ready)
				if share == 0 {
					break
				}
			}
		}
	}
}
