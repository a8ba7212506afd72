package estimator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// caughtUp feeds the first hours of a rise in again, with an estimate a minute, and
// asks for the estimate then.
func caughtUp(tb testing.TB, s sim, move func(*Estimator, time.Time)) Estimate {
	e, err := New(s.config())
	require.NoError(tb, err)
	t, rng := s.grow(), rand.New(rand.NewPCG(3, 3))
	var at time.Time
	for i := range int(s.hours * 60) {
		smp := s.sample(&t, float64(i)/60, rng)
		if i == 0 {
			smp.Event = Start
		}
		at = smp.Time
		e.Observe(smp)
		move(e, at)
	}
	return e.Estimate(at.Add(5 * time.Second))
}

// What is caught up stands where it would stand if it had been watched, and has
// all that is looked at.
func TestCatchUpComesToTheSame(t *testing.T) {
	for _, hours := range []float64{1, 3, 4.5, 5.5, 7} {
		t.Run(fmt.Sprintf("%g h", hours), func(t *testing.T) {
			s := plain()
			s.hours = hours
			watched := caughtUp(t, s, func(e *Estimator, at time.Time) { e.Estimate(at) })
			caught := caughtUp(t, s, func(e *Estimator, at time.Time) {
				x := e.CatchUp(at)
				require.Empty(t, x.Fan, "nobody sees it")
			})
			assert.Equal(t, watched.Phase, caught.Phase)
			assert.WithinDuration(t, watched.PhaseSince, caught.PhaseSince, 3*time.Minute)
			assert.WithinDuration(t, watched.Ready.Median, caught.Ready.Median, 2*time.Minute)
			assert.InDelta(t, watched.RisePercent, caught.RisePercent, 0.25*watched.RiseSD)
			assert.NotEmpty(t, caught.Fan)
			assert.InDelta(t, watched.CarryOverPercent, caught.CarryOverPercent, 1+0.35*watched.CarryOverPercent, "the middle of a wide guess")
			checkEstimate(t, caught)
		})
	}
}

// A low mark keeps the fan short; asked for more, its middle reaches beyond the
// mark, and no other figure changes.
func TestFanReachesBeyondTheMark(t *testing.T) {
	s := plain()
	s.hours = 2
	run := func(fanTo float64) Estimate {
		e, err := New(s.config())
		require.NoError(t, err)
		e.SetTarget(40)
		e.SetFanTo(fanTo)
		e.SetFanTo(-1)
		e.SetFanTo(math.NaN())
		var last Estimate
		s.run(e, time.Minute, func(_ float64, x Estimate) { last = x; checkEstimate(t, x) })
		return last
	}
	end := func(x Estimate) float64 { return x.Fan[len(x.Fan)-1].P50Percent }
	short := run(0)
	require.NotEmpty(t, short.Fan)
	far := end(short) + 10
	require.Less(t, far, short.CeilingPercent-5, "the dough can get there")
	long := run(far)
	assert.GreaterOrEqual(t, end(long), far)
	assert.Equal(t, short.Ready, long.Ready)
	assert.Equal(t, short.Phase, long.Phase)
	assert.Equal(t, end(run(30)), end(short), "a level below the mark asks for nothing more")
}

// BenchmarkCatchUp is a rise of five hours, a sample and an estimate a minute:
// watched, and fed in again.
func BenchmarkCatchUp(b *testing.B) {
	s := plain()
	s.hours = 5
	for name, move := range map[string]func(*Estimator, time.Time){
		"watched":   func(e *Estimator, at time.Time) { e.Estimate(at) },
		"caught up": func(e *Estimator, at time.Time) { e.CatchUp(at) },
	} {
		b.Run(name, func(b *testing.B) {
			for range b.N {
				caughtUp(b, s, move)
			}
		})
	}
}
