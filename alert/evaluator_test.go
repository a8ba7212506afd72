package alert

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/geometry"
)

// TestAMissedNearIsCounted reaches the target with and without a warning before.
func TestAMissedNearIsCounted(t *testing.T) {
	s := newScene(text.Locale{})
	s.ready(20)
	s.then(5*time.Minute, nil)
	s.then(5*time.Minute, atTarget(estimator.Ready, 100))
	assert.Zero(t, s.w.NearMissed(), "near was told")
	s.in.RiseID++
	s.then(5*time.Minute, nil)
	assert.Equal(t, 1, s.w.NearMissed())
	s.ready(40)
	s.then(10*time.Minute, func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Rising, false, 90 })
	assert.Equal(t, 1, s.w.NearMissed(), "and counted once; near does not come after it")
	assert.Equal(t, Reached, s.said[len(s.said)-1].Alarm.Kind)
}

// TestAClockStepKeepsHolds sets the clock while a warning is held back: it comes
// when it would have come.
func TestAClockStepKeepsHolds(t *testing.T) {
	for _, by := range []time.Duration{56 * 365 * 24 * time.Hour, 3 * time.Hour, -3 * time.Hour} {
		s := newScene(text.Locale{})
		s.then(4*time.Minute, func(e *estimator.Estimate) { e.Phase = estimator.Fallen })
		s.w.ClockStep(ClockStep{By: by})
		s.in.At = s.in.At.Add(by)
		s.then(time.Minute-5*time.Second, nil)
		assert.Empty(t, s.said)
		s.then(time.Hour, nil)
		require.Len(t, s.said, 1)
		a := s.said[0].Alarm
		assert.Equal(t, []any{Over, 5 * time.Minute}, []any{a.Kind, a.FiredAt.Sub(a.Since)})
	}
}

// TestWarmUpKeepsHolds shows a restarted Evaluator what was the case before.
func TestWarmUpKeepsHolds(t *testing.T) {
	s := newScene(text.Locale{})
	s.in.Estimate.Phase = estimator.Fallen
	var past []Input
	for range 4 {
		s.in.At = s.in.At.Add(time.Minute)
		past = append(past, s.in)
	}
	s.w.WarmUp(past)
	s.then(115*time.Second, nil)
	assert.Empty(t, s.said)
	s.then(10*time.Second, nil)
	assert.Len(t, s.said, 1)
}

// A sensor that is lost seconds after the start, with a few readings or none, is told
// at the latest after twice the time a household waits, whenever that is noticed.
func TestASensorLostSecondsAfterTheStartIsTold(t *testing.T) {
	profile, err := geometry.FromPoints([]geometry.Point{{HeightMM: 0, VolumeL: 0}, {HeightMM: 250, VolumeL: 10}})
	require.NoError(t, err)
	for _, lost := range []time.Duration{time.Minute, 5 * time.Minute, 20 * time.Minute} {
		for readings := range 6 {
			est, err := estimator.New(estimator.Config{FloorMM: 240, Profile: profile, Holds: estimator.Dough, TargetPercent: 100, LostAfter: lost})
			require.NoError(t, err)
			w, now, said := NewEvaluator(text.New(text.Locale{}), lost), noon(), []Change{}
			for i := range int(2*lost/(5*time.Second)) + 1 {
				s := estimator.Sample{Time: now, DistanceMM: math.NaN(), DoughC: 24, AirC: 22}
				if i == 0 {
					s.Event = estimator.Start
				}
				if i < readings {
					s.DistanceMM = 180
				}
				est.Observe(s)
				said = append(said, w.Evaluate(Input{RiseID: 1, State: bake.State{Vessel: "tub", Holds: estimator.Dough, At: now, Estimate: est.Estimate(now)},
					System: System{ClockSet: true, DiskFreeRatio: math.NaN()}})...)
				now = now.Add(5 * time.Second)
			}
			said = slices.DeleteFunc(said, func(c Change) bool { return c.What == WasRefreshed })
			require.Len(t, said, 1, fmt.Sprint(lost, readings))
			assert.Equal(t, SensorLost, said[0].Alarm.Kind)
			assert.GreaterOrEqual(t, said[0].Alarm.FiredAt.Sub(noon()), lost)
		}
	}
}

// bareKey finds a key or placeholder that was left in a text.
var bareKey = regexp.MustCompile(`[{}]|[a-z]+\.(title|text|do|reason)\b`)

// drawEstimate makes up any estimate.
func drawEstimate(t *rapid.T, e *estimator.Estimate, now time.Time) {
	number := rapid.OneOf(rapid.Float64Range(-20, 150), rapid.Just(math.NaN()))
	e.Phase = rapid.SampledFrom([]estimator.Phase{estimator.Idle, estimator.Lag, estimator.Rising, estimator.Near,
		estimator.Ready, estimator.Over, estimator.Fallen, estimator.Peak, estimator.Falling, estimator.Hungry, estimator.Ended}).Draw(t, "phase")
	e.Quality = rapid.SampledFrom([]estimator.Quality{estimator.QualityOK, estimator.QualityGap, estimator.QualitySuspect}).Draw(t, "quality")
	e.RisePercent, e.DoughC, e.AirC = number.Draw(t, "rise"), number.Draw(t, "dough"), number.Draw(t, "air")
	e.Exhausted, e.LevelsOffShort, e.ReadyIsPast = rapid.Bool().Draw(t, "exhausted"), rapid.Bool().Draw(t, "short"), rapid.Bool().Draw(t, "past")
	if minutes := rapid.IntRange(-60, 120).Draw(t, "ready"); minutes > 0 || e.ReadyIsPast {
		at := now.Add(time.Duration(minutes) * time.Minute)
		e.Ready, e.Even = estimator.Window{From: at, Median: at, Until: at}, at
	} else {
		e.Ready, e.Even = estimator.Window{}, time.Time{}
	}
}

// Whatever the estimate does and however often the program restarts: an ID is
// raised once, a kind bound to the rise once in it, and near never after
// reached.
func TestRaisedOnceWhateverHappens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := NewEvaluator(text.New(text.Locale{}), 0)
		stored := map[string]Alarm{}
		raised := map[string]int{}
		reachedTold := false
		in := Input{RiseID: 3, State: bake.State{Vessel: "tub", At: noon(),
			Holds: rapid.SampledFrom([]estimator.Holds{estimator.Dough, estimator.Starter}).Draw(t, "holds")}, System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
		in.Estimate.Started, in.Estimate.TargetPercent, in.Estimate.LastSeen = noon(), 100, noon()
		for range rapid.IntRange(1, 25).Draw(t, "scenes") {
			drawEstimate(t, &in.Estimate, in.At)
			if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
				w = NewEvaluator(text.New(text.Locale{}), 0)
				w.Restore(slices.Collect(maps.Values(stored)))
			}
			for range rapid.IntRange(1, 40).Draw(t, "steps") {
				in.At = in.At.Add(30 * time.Second)
				for _, c := range w.Evaluate(in) {
					stored[c.Alarm.ID] = c.Alarm
					if c.What != WasRaised {
						continue
					}
					raised[c.Alarm.ID]++
					if c.Alarm.Kind == Reached {
						reachedTold = true
					}
					if c.Alarm.Kind == Near && reachedTold {
						t.Fatalf("near after reached")
					}
					if c.Alarm.Title == "" || c.Alarm.Text == "" || bareKey.MatchString(c.Alarm.Title+" "+c.Alarm.Text) {
						t.Fatalf("bad text: %+v", c.Alarm)
					}
				}
			}
		}
		for id, n := range raised {
			if n > 1 {
				t.Fatalf("%s was raised %d times", id, n)
			}
		}
	})
}

func TestSafeID(t *testing.T) {
	assert.Equal(t, "near-tub-7", SafeID("near", "tub", "7"))
	long := SafeID("step_due", strings.Repeat("x", 80), "tub")
	assert.LessOrEqual(t, len(long), maxIDLength)
	assert.NotEqual(t, SafeID("near", "tüb"), SafeID("near", "tôb"))
	assert.Regexp(t, `^[-_A-Za-z0-9]+$`, SafeID("near", "große Schüssel", "1"))
}
