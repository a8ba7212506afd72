package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
)

// rising is an invented dough of 1.76 kg at 24 C that rises evenly, percent an hour.
func rising(now time.Time, percent, perHour, target float64) State {
	e := estimator.Estimate{Time: now, RisePercent: percent, TargetPercent: target, DoughC: 24, AirC: 24, Phase: estimator.Rising}
	for m := 0; m <= 20*60; m += 10 {
		p := percent + perHour*float64(m)/60
		e.Fan = append(e.Fan, estimator.FanPoint{Time: now.Add(time.Duration(m) * time.Minute), P10Percent: 0.9 * p, P50Percent: p, P90Percent: 1.1 * p})
	}
	w, _ := FanCrossing(e, target)
	e.Ready = estimator.Window{From: w.Median.Add(-time.Hour), Median: w.Median, Until: w.Median.Add(time.Hour)}
	s := State{At: now, Holds: estimator.Dough, RiseID: 1, Estimate: e}
	s.OverPercent, s.ColdPercent = Batch{}.limits(target, 24, false)
	return s
}

// advised is the advice for so many kilograms.
func advised(s *State, kg float64) *Advice {
	s.ahead = s.coldAhead(kg)
	return s.advise(Hours{})
}

// TestAdviceInTime: what a household is told in the evening of a dough that would be
// ready while it sleeps. Worked through by hand: 1.76 kg at 24 C is worth about 3.5 h of
// its present rise in the cold (published cooling curve of the refrigerator).
func TestAdviceInTime(t *testing.T) {
	away := func(from, until time.Time) []Event {
		return []Event{{Kind: EventAway, Detail: Detail{Away: &Span{from, until}}}}
	}
	tomorrow := func(hour, min int) time.Time { return at(24+hour, min) }
	for _, x := range []struct {
		name           string
		now            time.Time
		percent, speed float64
		events         []Event
		key            AdviceKey
		by, then       time.Time
	}{
		{name: "ready in the afternoon", now: at(12, 0), percent: 40, speed: 15},
		{name: "ready at three at night", now: at(19, 10), percent: 20, speed: 10, key: AdviseFridge, by: at(22, 30), then: tomorrow(6, 30)},
		{name: "so slow that it waits until the morning", now: at(20, 0), percent: 50, speed: 5},
		{name: "it would be short after the cold", now: at(20, 0), percent: 10, speed: 11, key: AdviseShort, by: at(22, 30), then: tomorrow(6, 30)},
		{name: "ready soon after bedtime, still to be saved", now: at(20, 0), percent: 50, speed: 15, key: AdviseFridge, by: at(20, 24), then: tomorrow(6, 30)},
		{name: "too far for the tub in the cold", now: at(22, 0), percent: 75, speed: 20, key: AdviseShape, by: at(22, 0), then: tomorrow(6, 30)},
		{name: "nobody is there in the afternoon", now: at(10, 0), percent: 20, speed: 15, events: away(at(12, 0), at(19, 0)), key: AdviseFridge, by: at(11, 50), then: at(19, 0)},
		{name: "home late: to bed first", now: at(10, 0), percent: 20, speed: 8, events: away(at(12, 0), at(23, 0)), key: AdviseShort, by: at(12, 0), then: tomorrow(6, 30)},
		{name: "everybody sleeps already", now: at(23, 30), percent: 40, speed: 20},
	} {
		t.Run(x.name, func(t *testing.T) {
			s := rising(x.now, x.percent, x.speed, 100)
			s.Events = x.events
			a := advised(&s, 1.76)
			if x.key == "" {
				require.Nil(t, a)
				return
			}
			require.NotNil(t, a)
			assert.Equal(t, x.key, a.Key, "%+v", a)
			assert.WithinDuration(t, x.by, a.By, 15*time.Minute)
			assert.Equal(t, x.then, a.Then)
			assert.False(t, a.By.Before(s.At))
			if x.key == AdviseFridge {
				assert.InDelta(t, 100, a.LandsPercent, 36)
			}
			keys, values := a.Words(s.At)
			assert.Len(t, keys, 2)
			assert.Equal(t, a.At, values["at"])
		})
	}
}

func TestAdviceOfLoafAndStarter(t *testing.T) {
	s := State{At: at(20, 0), Holds: estimator.Dough, Estimate: estimator.Estimate{DoughC: math.NaN(), AirC: 22}, After: &After{Stage: Proofing, Until: point(at(23, 50))}}
	a := advised(&s, 0.8)
	require.NotNil(t, a)
	assert.Equal(t, AdviseLoaf, a.Key)
	assert.True(t, a.By.Before(at(22, 31)) && a.By.After(at(20, 30)), a.By)

	s = State{At: at(20, 0), Holds: estimator.Starter, RiseID: 1, Estimate: estimator.Estimate{DoughC: 22, AirC: 22}, Care: &Care{UseFrom: at(25, 0), Peak: point(at(26, 0))}}
	a = advised(&s, 0.1)
	require.NotNil(t, a)
	assert.Equal(t, AdviseStarter, a.Key)
	assert.Equal(t, at(22, 30), a.By)
}

// TestAdviceIsTheThingToDoWhenItsTimeComes: the line Now, with its button, in the last
// stretch before bed, and not in the afternoon.
func TestAdviceIsTheThingToDoWhenItsTimeComes(t *testing.T) {
	s := rising(at(19, 10), 20, 10, 100)
	s.Advice = advised(&s, 1.76)
	assert.Equal(t, TodoWait, s.Derived().Now.Key)
	s = rising(at(21, 30), 43, 10, 100)
	s.Advice = advised(&s, 1.76)
	now := s.Derived().Now
	assert.Equal(t, TodoInTime, now.Key)
	assert.Equal(t, EventFridge, now.Tap)
}

func TestNight(t *testing.T) {
	for _, x := range []struct {
		bed, wake int
		t         time.Time
		want      Span
	}{
		{0, 0, at(12, 0), Span{at(22, 30), at(30, 30)}},
		{0, 0, at(3, 0), Span{at(-2, 30), at(6, 30)}},
		{30, 7 * 60, at(3, 0), Span{at(0, 30), at(7, 0)}},
		{30, 7 * 60, at(12, 0), Span{at(24, 30), at(31, 0)}},
		{22 * 60, 6 * 60, at(6, 0), Span{at(22, 0), at(30, 0)}},
	} {
		assert.Equal(t, x.want, Hours{time.UTC, x.bed, x.wake, nil}.Night(x.t), "%v", x)
	}
}

func TestHourMore(t *testing.T) {
	s := rising(at(15, 0), 90, 12, 100)
	s.ahead = s.coldAhead(1.76)
	h := s.StaysOut(s.At.Add(time.Hour))
	require.NotNil(t, h)
	assert.InDelta(t, 102, h.P50, 0.5)
	assert.False(t, h.Over || h.Under)
	assert.Greater(t, h.ColdPercent, 120.0)
	s.InFridge = true
	assert.Nil(t, s.StaysOut(s.At.Add(time.Hour)))
}
