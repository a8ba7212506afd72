package alert

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/geometry"
)

// plainText takes the hard spaces out of a text.
func plainText(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

// Over is told by the account of the whole work of a dough (bake.Batch.Limits), not by
// so much past the target or so long after it.
func TestOverByTheAccountOfTheWork(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.in.OverPercent = 104
	s.set(func(e *estimator.Estimate) {
		e.TargetPercent, e.Phase, e.ReadyIsPast, e.RisePercent = 75, estimator.Over, true, 103
	})
	s.run(2*time.Hour, time.Minute, nil)
	assert.Equal(t, []string{"12:02 raised reached at_mark"}, s.said, "whatever the phase and however long")
	s.set(func(e *estimator.Estimate) { e.RisePercent = 106 })
	s.run(10*time.Minute, time.Minute, nil)
	assert.Contains(t, s.said, "14:06 raised over past_mark")
}

// The fridge is offered only where it comes in time, and the same words say so from
// the first warning to the last.
func TestTheFridgeIsOfferedOnlyWhereItComesInTime(t *testing.T) {
	for _, c := range []struct {
		name                string
		carry               float64
		near, reached, over string
	}{
		{"in time", 20, "In the fridge from now on it would end at about 110 %.", "Or put it into the fridge: from here it ends at about 121 % there.", "bake it today: the fridge comes too late for it."},
		{"too late", 87, "A whole tub would go on to about 177 % in the fridge: too far.", "A whole tub would go on to about 188 % in the fridge: too far.", "bake it today: the fridge comes too late for it."},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.ready(30)
			s.set(func(e *estimator.Estimate) { e.CarryOverPercent, e.RisePercent = c.carry, 90 })
			s.run(5*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 101 })
			s.run(5*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.RisePercent = 127 })
			s.run(10*time.Minute, time.Minute, nil)
			texts := map[Kind]string{}
			for _, a := range s.saidA {
				if a.State == Firing {
					texts[a.Kind] = plainText(a.Text)
				}
			}
			assert.Contains(t, texts[Near], c.near)
			assert.Contains(t, texts[Reached], c.reached)
			assert.Contains(t, texts[Over], c.over)
			for kind, told := range texts {
				assert.Equal(t, 1, strings.Count(strings.ToLower(told), "fridge"), "%s: %s", kind, told)
			}
		})
	}
	s := newScene(t, text.Locale{})
	s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 101 })
	s.run(2*time.Minute, time.Minute, nil)
	assert.NotContains(t, s.saidA[0].Text, "fridge", "what it would do there is not known")
}

// Cold dough is told with how much longer it needs (bake.Speed, with its sources), and
// again where it hardly moves.
func TestColdDoughSaysHowMuchLonger(t *testing.T) {
	s := newScene(t, text.Locale{})
	cold := func(c float64) func(*Input) { return func(in *Input) { in.Estimate.DoughC = c } }
	s.run(time.Hour, time.Minute, cold(15))
	require.Len(t, s.said, 1)
	assert.Equal(t, "The dough in tub is at 15 °C and has been below 16 °C since 12:16. So cool it needs about 3.0 times as long as at 24 °C. Move it somewhere warmer. If it stands in the fridge on purpose, say so on its page, and this stays quiet.", plainText(s.saidA[0].Text))
	s.run(time.Hour, time.Minute, cold(11))
	assert.Equal(t, []string{"12:31 raised too_cold dough_cold", "13:01 escalated too_cold hardly_moves"}, s.said)
	assert.Contains(t, plainText(s.saidA[1].Text), "The dough in tub is at 11 °C and has been below 16 °C since 12:16. So cold it hardly moves: it needs about 7 times as long as at 24 °C.")

	us := newScene(t, text.Locale{Fahrenheit: true, Clock12: true})
	us.run(time.Hour, time.Minute, cold(11))
	assert.Contains(t, plainText(us.saidA[0].Text), "52 °F and has been below 61 °F since 12:16 pm. So cold it hardly moves: it needs about 7 times as long as at 75 °F.")
}

// A rise that creeps towards its target is told as one that may never get there.
func TestACreepingRiseIsTold(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.set(func(e *estimator.Estimate) {
		e.RisePercent, e.CeilingPercent, e.CeilingLow, e.ReachChance, e.EquivalentHours = 82, 95, 88, 0.4, 8
	})
	s.run(time.Hour, time.Minute, nil)
	assert.Equal(t, []string{"12:31 raised levels_off may_end_below"}, s.said)
	assert.Equal(t, "tub: may never get to its target", s.saidA[0].Title)
	assert.Contains(t, plainText(s.saidA[0].Text), "tub is at 82 % and only creeps on. It may stop at about 95 % and never get to its target of 100 %.")

	s = newScene(t, text.Locale{})
	s.ready(30)
	s.set(func(e *estimator.Estimate) {
		e.RisePercent, e.CeilingPercent, e.CeilingLow, e.ReachChance = 90, 120, 94, 0.7
	})
	s.run(5*time.Minute, time.Minute, nil)
	assert.Contains(t, plainText(s.saidA[0].Text), "It may also stop short of that, at about 94 %.")
}

// A sensor that is lost seconds after the start, with a few readings or none, is told
// at the latest after twice the time a household waits, whenever that is noticed.
func TestASensorLostSecondsAfterTheStartIsTold(t *testing.T) {
	for _, lost := range []time.Duration{time.Minute, 5 * time.Minute, 20 * time.Minute} {
		for readings := range 6 {
			t.Run(fmt.Sprint(lost, " ", readings), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					start := time.Now()
					profile, err := geometry.FromPoints([]geometry.Point{{HeightMM: 0, VolumeL: 0}, {HeightMM: 250, VolumeL: 10}})
					require.NoError(t, err)
					est, err := estimator.New(estimator.Config{FloorMM: 240, Profile: profile, Holds: estimator.Dough,
						TargetPercent: 100, LostAfter: lost})
					require.NoError(t, err)
					ch := &fakeChannel{}
					k := newKit(NewMemStore(), Policy{}, Route{Name: "phone", Channel: ch})
					defer k.stop()
					w := NewEvaluator(text.New(text.Locale{}), lost)
					for i := range int(2*lost/(5*time.Second)) + 1 {
						s := estimator.Sample{Time: time.Now(), DistanceMM: math.NaN(), DoughC: 24, AirC: 22}
						if i == 0 {
							s.Event = estimator.Start
						}
						if i < readings {
							s.DistanceMM = 180
						}
						est.Observe(s)
						changes := w.Evaluate(Input{RiseID: 1, State: bake.State{Vessel: "tub", Holds: estimator.Dough, At: time.Now(),
							Estimate: est.Estimate(time.Now())}, System: System{ClockSet: true, DiskFreeRatio: math.NaN()}})
						require.NoError(t, k.manager.Apply(context.Background(), changes))
						time.Sleep(5 * time.Second)
					}
					synctest.Wait()
					require.Len(t, ch.took, 1)
					assert.Equal(t, SensorLost, ch.took[0].Kind)
					assert.GreaterOrEqual(t, ch.at[0].Sub(start), lost)
					assert.LessOrEqual(t, ch.at[0].Sub(start), 2*lost)
				})
			})
		}
	}
}
