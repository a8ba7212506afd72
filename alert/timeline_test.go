package alert

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// then changes the estimate and runs on, a step every five seconds.
func (s *scene) then(span time.Duration, change func(*estimator.Estimate)) {
	if change != nil {
		s.set(change)
	}
	s.run(span, 5*time.Second, nil)
}

// atTarget returns a change to a rise at its target or beyond.
func atTarget(phase estimator.Phase, percent float64) func(*estimator.Estimate) {
	return func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = phase, true, percent }
}

// seen returns a change of what the readings are worth.
func seen(q estimator.Quality) func(*estimator.Estimate) {
	return func(e *estimator.Estimate) { e.Quality = q }
}

// warm returns a change to a dough temperature.
func warm(c float64) func(*estimator.Estimate) { return func(e *estimator.Estimate) { e.DoughC = c } }

// sleep lets a scene sleep for 40 minutes after ten minutes of readings. On waking no
// sensor has been asked yet, and the thermometer's last answer was a fault.
func (s *scene) sleep() {
	s.then(10*time.Minute, nil)
	seenAt := s.in.At
	s.in.At = s.in.At.Add(40 * time.Minute)
	s.in.System.Awake = s.in.At
	s.in.Silent = []Silent{{"dough", seenAt}}
	s.set(seen(estimator.QualityGap))
}

// timelines are invented hours and what is told in them.
func timelines() map[string]struct {
	play func(*scene)
	want []string
} {
	const m = time.Minute
	type row = struct {
		play func(*scene)
		want []string
	}
	return map[string]row{
		"a rise from its near warning to its fall, each told once": {func(s *scene) {
			s.ready(90)
			s.then(88*m, nil)
			s.then(30*m, atTarget(estimator.Ready, 100))
			s.then(30*m, atTarget(estimator.Over, 128))
			s.then(10*m, atTarget(estimator.Over, 143))
			s.then(10*m, func(e *estimator.Estimate) { e.Exhausted = true })
			s.then(10*m, func(e *estimator.Estimate) { e.Phase, e.RisePercent, e.PeakPercent = estimator.Fallen, 90, 131 })
			s.in.RiseID = 0
			s.then(10*m, func(e *estimator.Estimate) { e.Phase = estimator.Ended })
		}, []string{"13:00 raised near within_lead", "13:28 resolved near within_lead", "13:28 raised reached at_mark", "14:03 resolved reached at_mark",
			"14:03 raised over past_mark", "14:28 escalated over past_mark", "14:48 escalated over fell_back", "14:58 resolved over fell_back"}},
		"one bad fit, kept for a minute and a half, raises no near": {func(s *scene) {
			s.ready(180)
			s.then(20*m, nil)
			s.ready(30)
			s.then(90*time.Second, nil)
			s.ready(180)
			s.then(20*m, nil)
		}, nil},
		"near never comes after reached": {func(s *scene) {
			s.then(5*m, atTarget(estimator.Ready, 101))
			s.then(30*m, func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Near, false, 97 })
			s.then(5*m, atTarget(estimator.Ready, 101))
		}, []string{"12:00 raised reached at_mark"}},
		"no rise left before the target": {func(s *scene) {
			s.then(12*m, func(e *estimator.Estimate) { e.LevelsOffShort, e.RisePercent, e.CeilingPercent = true, 70, 78 })
			s.then(12*m, func(e *estimator.Estimate) { e.Exhausted, e.Phase = true, estimator.Over })
		}, []string{"12:10 raised levels_off ends_below_mark", "12:17 resolved levels_off ends_below_mark", "12:17 raised over no_rise_left"}},
		"over by the account of the work, whatever the phase and however long": {func(s *scene) {
			s.in.OverPercent = 104
			s.set(func(e *estimator.Estimate) { e.TargetPercent = 75 })
			s.then(2*time.Hour, atTarget(estimator.Over, 103))
			s.then(10*m, atTarget(estimator.Over, 106))
		}, []string{"12:00 raised reached at_mark", "14:05 resolved reached at_mark", "14:05 raised over past_mark"}},
		"a new rise is told again": {func(s *scene) {
			s.then(5*m, atTarget(estimator.Ready, 100))
			s.in.RiseID = 8
			s.then(5*m, func(e *estimator.Estimate) { e.Started = s.in.At })
		}, []string{"12:00 raised reached at_mark", "12:05 resolved reached at_mark", "12:05 raised reached at_mark"}},
		"a starter's day": {func(s *scene) {
			s.in.Holds, s.in.Vessel = estimator.Starter, "rye"
			for _, p := range []estimator.Phase{estimator.Peak, estimator.Falling, estimator.Hungry} {
				s.then(20*m, func(e *estimator.Estimate) { e.Phase, e.PhaseSince = p, s.in.At })
			}
		}, []string{"12:05 raised starter_peak peak", "12:25 resolved starter_peak peak", "12:25 raised starter_falling falling",
			"12:45 resolved starter_falling falling", "12:45 raised starter_hungry hungry"}},
		"heat: shorter than its hold, around the limit, gone too shortly, gone and back": {func(s *scene) {
			s.then(4*m, warm(32.5))
			s.then(m, warm(30.9))
			s.then(4*m, warm(32.1))
			s.then(2*m, warm(31.5)) // within the hysteresis: still held
			for range 10 {
				s.then(m, warm(32.1))
				s.then(m, warm(31.6))
			}
			s.then(3*m, warm(30))
			s.then(3*m, warm(33))
			s.then(10*m, warm(29))
			s.then(10*m, warm(33))
		}, []string{"12:10 raised too_hot dough_hot", "12:42 resolved too_hot dough_hot", "12:52 raised too_hot dough_hot"}},
		"cold: not in the fridge, not while it warms, else": {func(s *scene) {
			s.then(30*m, nil)
			s.in.InFridge = true
			s.then(2*time.Hour, warm(6))
			s.in.InFridge = false
			out := s.in.At
			s.run(2*time.Hour, 10*time.Second, func(in *Input) { in.Estimate.DoughC = 22 - 16*math.Exp(-in.At.Sub(out).Hours()/3) })
			s.then(time.Hour, warm(15))
		}, []string{"17:15 raised too_cold dough_cold"}},
		"cold in a fridge that nobody told: the air says it all": {func(s *scene) {
			s.in.Estimate.AirC = 5
			s.then(2*time.Hour, warm(12))
		}, nil},
		"a lid off for some minutes": {func(s *scene) {
			s.then(10*m, nil)
			s.then(4*m, seen(estimator.QualityGap))
			s.then(10*m, seen(estimator.QualityOK))
		}, nil},
		"a household that waits long hears of odd readings earlier, and of both as one trouble": {func(s *scene) {
			s.w = NewEvaluator(text.New(text.Locale{}), 30*m)
			s.then(10*m, nil)
			s.then(40*m, seen(estimator.QualitySuspect))
		}, []string{"12:20 raised sensor_suspect not_believed", "12:40 resolved sensor_suspect not_believed", "12:40 raised sensor_lost no_reading"}},
		"a bus that takes all sensors away is one trouble": {func(s *scene) {
			s.then(10*m, nil)
			s.in.Silent = []Silent{{"dough", s.in.At}, {"air", s.in.At}}
			s.then(time.Hour, seen(estimator.QualityGap))
		}, []string{"12:15 raised sensor_lost no_reading"}},
		"a sleep loses no sensor": {func(s *scene) {
			s.sleep()
			s.then(m, nil)
			s.in.Silent = nil
			s.then(30*m, seen(estimator.QualityOK))
		}, nil},
		"a sensor that stays away after a sleep is told from waking on": {func(s *scene) {
			s.sleep()
			s.then(14*m, nil)
		}, []string{"12:55 raised sensor_lost no_reading"}},
		"a thermometer that stays away after a sleep": {func(s *scene) {
			s.sleep()
			s.then(30*m, seen(estimator.QualityOK))
		}, []string{"13:05 raised probe_lost dough"}},
		"a vessel that is idle": {func(s *scene) { s.unwatched(estimator.Idle) }, nil},
		"a rise that has ended": {func(s *scene) { s.unwatched(estimator.Ended) }, nil},
		"the machine": {func(s *scene) {
			s.in.System = System{DiskFreeRatio: 0.02, UnderVoltage: true}
			s.then(10*m, nil)
		}, []string{"12:00 raised under_voltage under_voltage", "12:05 raised clock_not_set clock_not_set", "12:05 raised disk_nearly_full disk_nearly_full"}},
		"a moved plan outlives the rise and ends with the plan": {func(s *scene) {
			s.run(20*m, m, bread(time.Hour))
			s.set(func(e *estimator.Estimate) { e.Phase = estimator.Ended })
			s.run(20*m, m, bread(time.Hour))
			s.in.Plan = nil
			s.run(20*m, m, nil)
		}, []string{"12:11 raised plan_moved later", "12:46 resolved plan_moved later"}},
		"a sample jar is silent once its loaf has proofed": {func(s *scene) {
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf.Told = bake.SampleBasis, "vat", true
			s.ready(40)
			s.then(30*m, nil)
			s.then(15*m, atTarget(estimator.Over, 125))
			s.then(15*m, func(e *estimator.Estimate) { e.LevelsOffShort = true })
		}, nil},
		"what a sample jar told ends with its loaf's proof": {func(s *scene) {
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf = bake.SampleBasis, "vat", Loaf{Told: true, By: estimator.Window{Median: noon()}}
			s.then(10*m, atTarget(estimator.Ready, 100))
			s.in.Loaf.By = estimator.Window{}
			s.then(10*m, nil)
		}, []string{"12:00 raised reached at_mark", "12:10 resolved reached at_mark"}},
	}
}

// unwatched runs a vessel of which nothing is watched, though everything is wrong.
func (s *scene) unwatched(phase estimator.Phase) {
	s.in.RiseID, s.in.Silent = 0, []Silent{{Sensor: "dough"}}
	s.then(time.Hour, func(e *estimator.Estimate) {
		e.Phase, e.Quality, e.DoughC, e.AirC = phase, estimator.QualityGap, 60, 60
	})
}

// TestTimelines plays the timelines. Of the machine an alarm names no vessel; a new
// episode is a new alarm, and one thing of one rise is the same.
func TestTimelines(t *testing.T) {
	for name, c := range timelines() {
		t.Run(name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			c.play(s)
			assert.Equal(t, c.want, s.said)
			kinds := map[string]Kind{}
			for i, a := range s.saidA {
				assert.Equal(t, ofMachine(a.Kind), a.Vessel == "")
				_, again := kinds[a.ID]
				assert.Equal(t, s.said[i][6:12] != "raised", again, "%s: %s", a.ID, s.said[i])
				kinds[a.ID] = a.Kind
			}
		})
	}
}
