package alert

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// noon is the start of every scene; the scenes are invented.
func noon() time.Time { return time.Date(2026, 11, 7, 12, 0, 0, 0, time.UTC) }

// scene feeds a Watch and remembers what it said.
type scene struct {
	t     *testing.T
	w     *Evaluator
	in    Input
	said  []string // "12:31 raised near within_lead"
	saidA []Alarm
}

// newScene starts a tub of dough that rises quietly.
func newScene(t *testing.T, l text.Locale) *scene {
	s := &scene{t: t, w: NewEvaluator(text.New(l), 0)}
	s.in = Input{RiseID: 7, State: bake.State{Vessel: "tub", Holds: estimator.Dough, Lead: 30 * time.Minute, At: noon(), OverPercent: 125, ColdPercent: 143},
		System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
	s.in.Estimate = estimator.Estimate{
		Started: noon(), RisePercent: 20, RiseSD: 1, DoughC: 24, AirC: 22, TargetPercent: 100,
		CarryOverPercent: math.NaN(), CeilingPercent: math.NaN(), PeakPercent: 20, ReachChance: math.NaN(),
		Phase: estimator.Rising, PhaseSince: noon(), Quality: estimator.QualityOK,
	}
	return s
}

// open counts the open alarms.
func (s *scene) open() (n int) {
	for _, slot := range s.w.slots {
		if slot.open {
			n++
		}
	}
	return n
}

// run steps every interval for a while; change may alter the input before each.
func (s *scene) run(span, every time.Duration, change func(*Input)) {
	for end := s.in.At.Add(span); s.in.At.Before(end); {
		s.in.At = s.in.At.Add(every)
		s.in.Estimate.Time = s.in.At
		if s.in.Estimate.Quality == estimator.QualityOK {
			s.in.Estimate.LastSeen = s.in.At
		}
		if change != nil {
			change(&s.in)
		}
		for _, c := range s.w.Evaluate(s.in) {
			if c.What == WasRefreshed {
				continue
			}
			s.said = append(s.said, fmt.Sprintf("%s %s %s %s", s.in.At.Format("15:04"), c.What, c.Alarm.Kind, c.Alarm.Reason))
			s.saidA = append(s.saidA, c.Alarm)
		}
	}
}

// set changes the estimate at once.
func (s *scene) set(change func(*estimator.Estimate)) { change(&s.in.Estimate) }

// ready sets a forecast some minutes after noon.
func (s *scene) ready(minutes float64) {
	at := noon().Add(time.Duration(minutes * float64(time.Minute)))
	s.in.Estimate.Ready = estimator.Window{From: at.Add(-10 * time.Minute), Median: at, Until: at.Add(15 * time.Minute)}
	s.in.Estimate.Even = at
}

// TestAMissedNearIsCounted reaches the target with and without a warning before.
func TestAMissedNearIsCounted(t *testing.T) {
	reach := func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 100 }
	s := newScene(t, text.Locale{})
	s.ready(20)
	s.run(5*time.Minute, time.Minute, nil)
	s.set(reach)
	s.run(5*time.Minute, time.Minute, nil)
	assert.Zero(t, s.w.NearMissed(), "near was told")
	s.in.RiseID++
	s.run(5*time.Minute, time.Minute, nil)
	assert.Equal(t, 1, s.w.NearMissed())
	s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Rising, false, 90 })
	s.ready(40)
	s.run(10*time.Minute, time.Minute, nil)
	assert.Equal(t, 1, s.w.NearMissed(), "and counted once; near does not come after it")
	assert.Equal(t, "reached", string(s.saidA[len(s.saidA)-1].Kind))
}

func TestNearWaitsForTheLead(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.ready(45)
	s.run(time.Hour, 10*time.Second, nil)
	require.Len(t, s.said, 1)
	assert.Equal(t, "12:15 raised near within_lead", s.said[0])
	assert.Equal(t, "tub: at its target about 12:45", s.saidA[0].Title)
	assert.Equal(t, "tub is at 20 % and will be at its target of 100 % about 12:45, between 12:35 and 13:00. Clear the table and be ready to shape it.",
		strings.ReplaceAll(s.saidA[0].Text, "\u00a0", " "))
}

func TestNearIsUpdatedWhenTheTimeMoves(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.ready(40)
	s.run(15*time.Minute, 10*time.Second, nil)
	s.ready(75)
	s.run(10*time.Minute, 10*time.Second, nil)
	s.ready(80) // not worth a word
	s.run(10*time.Minute, 10*time.Second, nil)
	s.ready(55)
	s.run(10*time.Minute, 10*time.Second, nil)
	assert.Equal(t, []string{"12:10 raised near within_lead", "12:17 updated near within_lead", "12:37 updated near within_lead"}, s.said)
	assert.Equal(t, "tub: later than said, about 13:15", s.saidA[1].Title)
	assert.Equal(t, "tub: sooner than said, about 12:55", s.saidA[2].Title)
	assert.Equal(t, s.saidA[0].ID, s.saidA[2].ID)
}

func TestStepsAreToldOnceEach(t *testing.T) {
	s := newScene(t, text.Locale{})
	fold := bake.Step{ID: "fold-1", Name: bake.Said{Key: "step.fold.name"}, Do: bake.Said{Key: "step.fold.do"}, Caution: bake.Sentences{{Key: "caution.flour"}},
		At: noon(), From: noon(), Until: noon(), State: bake.Waiting}
	s.in.Steps = []bake.Step{fold}
	s.run(10*time.Minute, 10*time.Second, nil)
	s.in.Steps[0].State = bake.DueNow
	s.run(10*time.Minute, 10*time.Second, nil)
	s.in.Steps[0].State = bake.Done
	s.run(10*time.Minute, 10*time.Second, nil)
	assert.Equal(t, []string{"12:10 raised step_due fold-1", "12:25 resolved step_due fold-1"}, s.said)
	assert.Equal(t, "tub, now: fold. Wet hands; stretch each side up and fold it over. Raw flour may carry germs such as E. coli or Salmonella: do not taste the dough, and wash hands, tools and the probe.", s.saidA[0].Text)
}

func TestSensorLostIsOneMessage(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(10*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) {
		e.Quality, e.QualityReason = estimator.QualitySuspect, estimator.VesselMoved
	})
	s.run(4*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) {
		e.Quality, e.QualityReason = estimator.QualityGap, estimator.NothingInRange
	})
	s.run(20*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualitySuspect }) // still not well
	s.run(3*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualityGap })
	s.run(time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualityOK })
	s.run(20*time.Minute, 5*time.Second, nil)
	assert.Equal(t, []string{"12:15 raised sensor_lost no_reading", "12:43 resolved sensor_lost no_reading"}, s.said)
	assert.Equal(t, "Not seeing the dough in tub since 12:10: the sensor answers nothing in range. Lid or cable? By the earlier forecast it is at 20 % now. Check lid, cable and sensor. Until then look at the dough yourself.",
		strings.ReplaceAll(s.saidA[0].Text, "\u00a0", " "))
	assert.Equal(t, "tub: seeing the dough again", s.saidA[1].Title)
	assert.Contains(t, s.saidA[1].Text, "reads again, after 28 min")
}

// Readings that show no dough are told as soon as readings that are missing, and
// as loudly, from the start of a rise and later.
func TestReadingsWithoutDoughAreLostToo(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(10*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) {
		e.Quality, e.QualityReason = estimator.QualitySuspect, estimator.NothingInRange
	})
	s.run(20*time.Minute, 5*time.Second, nil)
	require.Equal(t, []string{"12:15 raised sensor_lost no_reading"}, s.said)
	assert.Equal(t, 4, s.saidA[0].Priority)
	assert.Contains(t, s.saidA[0].Text, "since 12:10: the sensor answers nothing in range. Lid or cable?")

	s = newScene(t, text.Locale{})
	s.set(func(e *estimator.Estimate) { e.Quality = estimator.QualitySuspect })
	s.run(20*time.Minute, 5*time.Second, nil)
	assert.Equal(t, []string{"12:05 raised sensor_lost no_reading"}, s.said, "never seen at all")
}

func TestOvenInTheWatch(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(10*time.Minute, 5*time.Second, nil)
	onset := s.in.At
	s.run(10*time.Minute, 5*time.Second, func(in *Input) {
		in.Estimate.AirC = 22 + 12*in.At.Sub(onset).Minutes()
		in.Estimate.DoughC = 24 + 2*in.At.Sub(onset).Minutes()
	})
	require.NotEmpty(t, s.said)
	assert.Contains(t, s.said[0], "raised oven_heating")
	first := s.saidA[0]
	assert.LessOrEqual(t, first.FiredAt.Sub(onset), time.Minute)
	assert.Equal(t, 5, first.Priority)
	assert.Equal(t, "tub: is the oven heating? Switch it off", first.Title)
	assert.Contains(t, first.Text, "switch the oven off now")
	assert.Len(t, s.said, 1, "and too_hot is not told on top: %v", s.said)
}

// Readings every five seconds, steps only every ten.
func TestOvenFeltBetweenSteps(t *testing.T) {
	s := newScene(t, text.Locale{})
	onset := s.in.At.Add(10 * time.Minute)
	s.run(20*time.Minute, 10*time.Second, func(in *Input) {
		for _, at := range []time.Time{in.At.Add(-5 * time.Second), in.At} {
			air := 22.0
			if at.After(onset) {
				air += 15 * at.Sub(onset).Minutes()
			}
			s.w.Observe(at, 24, air)
		}
	})
	require.NotEmpty(t, s.said)
	assert.Contains(t, s.said[0], "raised oven_heating")
	assert.LessOrEqual(t, s.saidA[0].FiredAt.Sub(onset), time.Minute)
}

func TestNobodyWatched(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.ready(-20)
	s.set(func(e *estimator.Estimate) { e.Quality, e.RisePercent = estimator.QualityGap, 105 })
	s.in.System.Unwatched = bake.Span{From: noon().Add(-100 * time.Minute), Until: noon()}
	s.run(time.Minute, 5*time.Second, nil)
	assert.Empty(t, s.said, "it waits for a first reading")
	s.run(10*time.Minute, 5*time.Second, nil)
	require.NotEmpty(t, s.said)
	assert.Equal(t, "12:03 raised nobody_watched unclean_stop", s.said[0])
	assert.Equal(t, "tub: nobody watched for 1 h 40 min", s.saidA[0].Title)
	assert.Equal(t, "Nobody watched tub from 10:20 to 12:00: the program was not running. It is at 105 % now, by the forecast; the sensor has not seen it yet. It has most likely passed its target meanwhile, about 11:40. Look at it when you can, and check the power supply.",
		strings.ReplaceAll(s.saidA[0].Text, "\u00a0", " "))
	s.run(2*time.Hour, 5*time.Second, nil)
	told := 0
	for _, line := range s.said {
		if strings.Contains(line, "raised nobody_watched") {
			told++
		}
	}
	assert.Equal(t, 1, told)
}

// Just after a start the estimate still counts as good, on a reading from before
// the gap: that is no measurement of now.
func TestNobodyWatchedDoesNotTakeAnOldReadingForANewOne(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.in.System.Unwatched = bake.Span{From: noon().Add(-2 * time.Minute), Until: noon()}
	old := func(in *Input) { in.Estimate.LastSeen = noon().Add(-2 * time.Minute) }
	s.run(2*time.Minute, 5*time.Second, old)
	assert.Empty(t, s.said, "it waits for a first reading")
	s.run(2*time.Minute, 5*time.Second, old)
	require.NotEmpty(t, s.said)
	assert.Contains(t, s.saidA[0].Text, "by the forecast; the sensor has not seen it yet")

	s = newScene(t, text.Locale{})
	s.in.System.Unwatched = bake.Span{From: noon().Add(-2 * time.Minute), Until: noon()}
	s.run(10*time.Second, 5*time.Second, nil)
	require.NotEmpty(t, s.said)
	assert.Contains(t, s.saidA[0].Text, "now, as measured")
}

func TestRestoreSendsNothingTwice(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 101 })
	s.run(5*time.Minute, 5*time.Second, nil)
	s.set(func(e *estimator.Estimate) { e.RisePercent = 128; e.DoughC = 33 })
	s.run(10*time.Minute, 5*time.Second, nil)
	stored := map[string]Alarm{}
	for _, a := range s.saidA {
		stored[a.ID] = a
	}
	require.Len(t, stored, 3)
	again := newScene(t, text.Locale{})
	again.in = s.in
	var alarms []Alarm
	for _, a := range stored {
		alarms = append(alarms, a)
	}
	again.w.Restore(alarms)
	assert.Equal(t, 2, again.open(), "over and too_hot are open, reached is not")
	again.run(time.Hour, 5*time.Second, nil)
	assert.Empty(t, again.said)
	again.set(func(e *estimator.Estimate) { e.RisePercent = 145 })
	again.run(time.Minute, 5*time.Second, nil)
	require.Len(t, again.said, 1)
	assert.Contains(t, again.said[0], "escalated over")
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
				var alarms []Alarm
				for _, a := range stored {
					alarms = append(alarms, a)
				}
				w.Restore(alarms)
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

func TestEveryKindHasPolicyAndTexts(t *testing.T) {
	en := text.New(text.Locale{})
	for _, p := range policies() {
		assert.NotZero(t, p.priority, p.kind)
		assert.NotZero(t, p.lasts, p.kind)
		assert.True(t, en.Has(string(p.kind)+".title") || p.kind == Over, p.kind)
	}
}
