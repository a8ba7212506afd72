package alert

import (
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
					start, got := time.Now(), []Alarm{}
					profile, err := geometry.FromPoints([]geometry.Point{{HeightMM: 0, VolumeL: 0}, {HeightMM: 250, VolumeL: 10}})
					require.NoError(t, err)
					est, err := estimator.New(estimator.Config{FloorMM: 240, Profile: profile, Holds: estimator.Dough,
						TargetPercent: 100, LostAfter: lost})
					require.NoError(t, err)
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
						for _, c := range changes {
							got = append(got, c.Alarm)
						}
						time.Sleep(5 * time.Second)
					}
					require.Len(t, got, 1)
					assert.Equal(t, SensorLost, got[0].Kind)
					assert.GreaterOrEqual(t, got[0].FiredAt.Sub(start), lost)
					assert.LessOrEqual(t, got[0].FiredAt.Sub(start), 2*lost)
				})
			})
		}
	}
}

// bread moves the ready time of the scene's plan.
func bread(by time.Duration) func(*Input) {
	planned := noon().Add(8 * time.Hour)
	return func(in *Input) {
		at := planned.Add(by)
		in.Plan = &bake.PlanState{Wanted: planned.Add(40 * time.Minute), Planned: estimator.Window{Median: planned},
			Ready: estimator.Window{From: at.Add(-20 * time.Minute), Median: at, Until: at.Add(40 * time.Minute)}}
	}
}

// TestPlanMovedIsToldOnceAndAgainWhenItMovesOn lets the bread slip, slip more and
// come back.
func TestPlanMovedIsToldOnceAndAgainWhenItMovesOn(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(20*time.Minute, time.Minute, bread(20*time.Minute))
	assert.Empty(t, s.said, "twenty minutes are not worth a word")
	s.run(30*time.Minute, time.Minute, bread(35*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(42*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(70*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(0))
	s.run(20*time.Minute, time.Minute, bread(-45*time.Minute))
	assert.Equal(t, []string{
		"12:31 raised plan_moved later",
		"13:31 updated plan_moved later",
		"13:56 resolved plan_moved later",
		"14:31 raised plan_moved sooner",
	}, s.said)
	assert.Equal(t, "tub: bread later, about 20:35", s.saidA[0].Title)
	assert.Equal(t, "By the plan the bread of tub was to be ready about 20:00 (wanted by 20:40). As it goes now it is about 20:35, between 20:15 and 21:15. "+
		"All steps have moved with it: see the timetable. It is still in time.", s.saidA[0].Text)
	assert.Contains(t, s.saidA[1].Text, "If that is too late, stand the dough warmer")
	assert.Equal(t, "tub: bread sooner, about 19:15", s.saidA[3].Title)
}

// fed is the care of an invented starter fed at noon: peak at 16:00, hungry at
// 19:00, next feed at 18:00.
func fed() *bake.Care {
	at := func(h float64) time.Time { return noon().Add(time.Duration(h * float64(time.Hour))) }
	return &bake.Care{Feed: bake.NewFeed(noon(), 1, 60, 0), Peak: estimator.Window{From: at(3), Median: at(4), Until: at(5)},
		UseFrom: at(3.4), UseUntil: at(5), Hungry: estimator.Window{From: at(6), Median: at(7), Until: at(8)}, NextFeed: at(6)}
}

func TestHungerByTheCareOfTheFeeds(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Input)
		want   string // reason; empty for none
		text   string
	}{
		{"seen rising, past its usual time", func(*Input) {}, "", ""},
		{"not seen", func(in *Input) { in.Estimate.Quality = estimator.QualityGap }, byTime, "by its usual time it is hungry about 19:00"},
		{"in the cold", func(in *Input) { in.InFridge = true }, InCold, "is kept cold. It is due for a feed."},
		{"seen hungry", func(in *Input) { in.Estimate.Phase = estimator.Hungry }, string(estimator.Hungry), "has little left to eat"},
		{"nothing known of its feeds", func(in *Input) { in.Care, in.InFridge = nil, true }, "", ""},
		{"not due yet", func(in *Input) { in.Care.NextFeed, in.InFridge = noon().AddDate(0, 0, 7), true }, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.in.Holds, s.in.Vessel, s.in.Care = estimator.Starter, "jar", fed()
			c.change(&s.in)
			s.run(7*time.Hour, time.Minute, nil)
			var got []Alarm
			for _, a := range s.saidA {
				if a.Kind == StarterHungry {
					got = append(got, a)
				}
			}
			if c.want == "" {
				assert.Empty(t, got)
				return
			}
			require.Len(t, got, 1, "told once a feed")
			assert.Equal(t, c.want, got[0].Reason)
			assert.Contains(t, got[0].Text, c.text)
			assert.Contains(t, got[0].Text, "pink or orange, throw it away")
			if c.want != string(estimator.Hungry) {
				assert.InDelta(t, 6*60+5, got[0].FiredAt.Sub(noon()).Minutes(), 1.5, "at the next feed, held five minutes")
			}
		})
	}
}

func TestAProofIsToldAsAProof(t *testing.T) {
	loaf := estimator.Window{From: noon().Add(100 * time.Minute), Median: noon().Add(110 * time.Minute), Until: noon().Add(2 * time.Hour)}
	for _, c := range []struct {
		name     string
		proof    bake.ProofBasis
		loaf     Loaf
		near     string
		reached  string
		past     string // text of the over warning; empty when there is none
		levelled string
	}{
		{"a bulk", "", Loaf{}, "be ready to shape it", "Shape it now", "Shape it now", "go on without waiting for the target"},
		{"a basket", bake.BasketBasis, Loaf{}, "The loaf goes in at the target", "Bake it now", "Bake it now. A loaf that waits longer", "bake it without waiting"},
		{"a sample jar", bake.SampleBasis, Loaf{By: loaf, Told: true}, "It stands for the loaf of vat, which by its own temperature is ready about 13:50", "is ready about 13:50: bake it then, or now where that is past.", "", "bake it without waiting"},
		{"a sample jar of no bake", bake.SampleBasis, Loaf{}, "The loaf goes in at the target", "Bake it now", "Bake it now", "bake it without waiting"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf = c.proof, "vat", c.loaf
			s.ready(90)
			s.run(65*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 100 })
			s.run(10*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.Phase, e.RisePercent = estimator.Over, 131 })
			s.run(15*time.Minute, time.Minute, nil)
			texts := map[Kind]string{}
			for _, a := range s.saidA {
				if a.State == Firing {
					texts[a.Kind] = a.Text
				}
			}
			assert.Contains(t, texts[Near], c.near)
			assert.Contains(t, texts[Reached], c.reached)
			if c.past == "" {
				assert.NotContains(t, texts, Over)
			} else {
				assert.Contains(t, texts[Over], c.past)
			}
			low := newScene(t, text.Locale{})
			low.in.ProofBasis, low.in.ProofOf, low.in.Loaf = c.proof, "vat", c.loaf
			low.set(func(e *estimator.Estimate) { e.LevelsOffShort, e.CeilingPercent = true, 80 })
			low.run(15*time.Minute, time.Minute, nil)
			assert.Contains(t, low.saidA[0].Text, c.levelled)
		})
	}
}
