package say

import (
	"flag"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/bake"
	"tidemark/estimator"
)

// update is shared by all packages under web, so that one command rewrites all
// golden files; there are none here.
var _ = flag.Bool("update", false, "rewrite the golden files")

func vienna(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	return zone
}

// at is a moment of the test day, 14 March 2026.
func at(t testing.TB, hour, minute int) time.Time {
	return time.Date(2026, 3, 14, hour, minute, 0, 0, vienna(t))
}

// estimate is a rise in full swing, to be changed by the cases.
func estimate(t testing.TB) estimator.Estimate {
	return estimator.Estimate{Time: at(t, 17, 20), Started: at(t, 12, 0), RisePercent: 74, RiseSD: 1.2,
		RatePercentPerHour: 21.3, DoughC: 24.6, AirC: 21, TargetPercent: 100, Phase: estimator.Rising,
		PhaseSince: at(t, 13, 40), Quality: estimator.QualityOK, LastSeen: at(t, 17, 20), ReachChance: 0.97,
		Ready:       estimator.Window{From: at(t, 18, 5), Median: at(t, 18, 15), Until: at(t, 18, 30)},
		PeakPercent: math.NaN(), CeilingPercent: math.NaN(), CeilingLow: math.NaN(), CeilingHigh: math.NaN()}
}

func TestAnswers(t *testing.T) {
	type change func(v *Vessel)
	e := func(f func(e *estimator.Estimate)) change { return func(v *Vessel) { f(&v.Estimate) } }
	none := func(e *estimator.Estimate) { e.Ready = estimator.Window{} }
	for name, tc := range map[string]struct {
		change change
		want   Answer
	}{
		"rising": {e(func(*estimator.Estimate) {}), Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"near": {e(func(e *estimator.Estimate) { e.Phase = estimator.Near }), Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"small chance": {e(func(e *estimator.Estimate) { e.ReachChance = 0.72 }), Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15. The chance that it gets there at all is 7 in 10.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"over midnight": {e(func(e *estimator.Estimate) {
			e.Ready = estimator.Window{From: at(t, 23, 30), Median: at(t, 24, 20), Until: at(t, 25, 40)}
		}), Answer{
			When:  "At the mark between 23:30 and tomorrow 01:40 (8 in 10), most likely tomorrow 00:20.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"settling": {e(func(e *estimator.Estimate) {
			none(e)
			e.Phase, e.RisePercent, e.RatePercentPerHour = estimator.Settling, 0.2, math.NaN()
			e.NoForecast = "No forecast yet: 20 minutes of rise are needed"
		}), Answer{
			When:  "No forecast yet: 20 minutes of rise are needed.",
			Level: "Now 0 %. Dough 24.6 °C, air 21.0 °C."}},
		"lag, doubtful level, no air": {e(func(e *estimator.Estimate) {
			none(e)
			e.Phase, e.RisePercent, e.RatePercentPerHour, e.RiseSD, e.AirC = estimator.Lag, 3, 0.4, 4, math.NaN()
		}), Answer{
			When:  "No forecast yet: not enough has been seen.",
			Level: "Now 3 % (give or take 5, 8 in 10), hardly moving. Dough 24.6 °C."}},
		"levels off": {e(func(e *estimator.Estimate) {
			e.LevelsOffShort, e.CeilingPercent, e.CeilingLow, e.CeilingHigh = true, 82, 75, 90
		}), Answer{
			When:  "Most likely it levels off short of the mark, at about 82 % (between 75 and 90 %, 8 in 10).",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"ready": {e(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.RisePercent, e.ReadyIsPast = estimator.Ready, at(t, 17, 2), 101, true
			e.Ready = estimator.Window{From: at(t, 17, 1), Median: at(t, 17, 2), Until: at(t, 17, 3)}
		}), Answer{
			When:  "At the mark since 17:02.",
			Level: "Now 101 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"over": {e(func(e *estimator.Estimate) {
			e.Phase, e.RisePercent, e.ReadyIsPast, e.Exhausted = estimator.Over, 121, true, true
			e.Ready.Median, e.RatePercentPerHour = at(t, 16, 2), 0
		}), Answer{
			When:  "Past the mark since 16:02, and no rise is left.",
			Level: "Now 121 %, hardly moving. Dough 24.6 °C, air 21.0 °C."}},
		"over, short of the mark": {e(func(e *estimator.Estimate) {
			none(e)
			e.Phase, e.PhaseSince, e.Exhausted, e.PeakPercent, e.PeakAt = estimator.Over, at(t, 16, 50), true, 81, at(t, 16, 30)
		}), Answer{
			When:  "No rise left since 16:50, short of the mark, peak 81 % at 16:30.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"fallen": {e(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.RatePercentPerHour, e.PeakPercent, e.PeakAt = estimator.Fallen, at(t, 17, 0), -9, 132, at(t, 16, 30)
		}), Answer{
			When:  "Falling since 17:00, peak 132 % at 16:30.",
			Level: "Now 74 %, falling 9 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"peak": {e(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.PeakPercent, e.PeakAt = estimator.Peak, at(t, 17, 0), 182, at(t, 17, 10)
		}), Answer{
			When:  "At its peak since 17:00, 182 %.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"hungry": {e(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.PeakPercent, e.PeakAt = estimator.Hungry, at(t, -3, 0), 182, at(t, -8, 30)
			e.RatePercentPerHour, e.RateSD = 1.5, 1
		}), Answer{
			When:  "Hungry since yesterday 21:00, peak 182 % yesterday 16:30: feed it.",
			Level: "Now 74 %, hardly moving. Dough 24.6 °C, air 21.0 °C."}},
		"hungry by its phase, but it rises": {e(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.PeakPercent, e.PeakAt = estimator.Hungry, at(t, -3, 0), 182, at(t, -8, 30)
		}), Answer{
			When:  "Rising again, peak 182 % yesterday 16:30.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C."}},
		"no estimate at all": {e(func(e *estimator.Estimate) { *e = estimator.Estimate{} }), Answer{
			When: "No rise is being watched here."}},
		"idle": {e(func(e *estimator.Estimate) {
			*e = estimator.Estimate{Phase: estimator.Idle, DoughC: math.NaN(), AirC: 20.5}
		}), Answer{
			When: "No rise is being watched here.", Level: "Air 20.5 °C."}},
		"ended": {e(func(e *estimator.Estimate) { e.Phase, e.PhaseSince = estimator.Ended, at(t, 17, 0) }), Answer{
			When:  "The rise ended at 17:00.",
			Level: "Dough 24.6 °C, air 21.0 °C."}},
		"gap": {e(func(e *estimator.Estimate) {
			e.Quality, e.LastSeen, e.QualityReason = estimator.QualityGap, at(t, 14, 2), "the sensor answers nothing in range. Lid or cable?"
		}), Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Carried on from what was seen: about 74 % now. Dough 24.6 °C, air 21.0 °C.",
			Blind: "Not seeing the dough since 14:02: the sensor answers nothing in range. Lid or cable?"}},
		"suspect": {e(func(e *estimator.Estimate) {
			e.Quality, e.LastSeen, e.QualityReason = estimator.QualitySuspect, at(t, 17, 2), "the level jumped by 30 mm"
		}), Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Carried on from what was seen: about 74 % now. Dough 24.6 °C, air 21.0 °C.",
			Blind: "Readings are not believed since 17:02: the level jumped by 30 mm."}},
		"never seen": {e(func(e *estimator.Estimate) {
			none(e)
			e.Quality, e.LastSeen, e.RisePercent, e.DoughC, e.AirC = estimator.QualityGap, time.Time{}, math.NaN(), math.NaN(), math.NaN()
		}), Answer{
			When: "No forecast yet: not enough has been seen.", Level: "The level is not known yet.", Blind: "Not seen yet."}},
		"next step": {func(v *Vessel) {
			v.Steps = []bake.Step{{Name: "fold", State: bake.Done, At: at(t, 13, 0)},
				{Name: "shape", Do: "Shape the loaves.", State: bake.Waiting, At: at(t, 18, 15), From: at(t, 18, 5), Until: at(t, 18, 30)},
				{Name: "preheat", Do: "turn the oven on", State: bake.Waiting, At: at(t, 17, 40), From: at(t, 17, 40), Until: at(t, 17, 40)}}
		}, Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C.",
			Next:  "Next at 17:40: turn the oven on."}},
		"due step": {func(v *Vessel) {
			v.Steps = []bake.Step{{Name: "fold", Do: "Stretch and fold.", State: bake.DueNow, At: at(t, 17, 10)}}
		}, Answer{
			When:  "At the mark between 18:05 and 18:30 (8 in 10), most likely 18:15.",
			Level: "Now 74 %, rising 21 % an hour. Dough 24.6 °C, air 21.0 °C.",
			Next:  "Now: stretch and fold (due 17:10).", Due: true}},
	} {
		t.Run(name, func(t *testing.T) {
			v := Vessel{Name: "tub", Holds: estimator.Dough, Estimate: estimate(t), Now: at(t, 17, 20)}
			tc.change(&v)
			assert.Equal(t, tc.want, For(v, House{Zone: vienna(t)}))
		})
	}
}

func TestTwelveHoursAndFahrenheit(t *testing.T) {
	v := Vessel{Name: "tub", Holds: estimator.Dough, Estimate: estimate(t), Now: at(t, 17, 20)}
	a := For(v, House{Zone: vienna(t), Clock12: true, Fahrenheit: true})
	assert.Equal(t, "At the mark between 6:05 pm and 6:30 pm (8 in 10), most likely 6:15 pm.", a.When)
	assert.Equal(t, "Now 74 %, rising 21 % an hour. Dough 76.3 °F, air 69.8 °F.", a.Level)
}

func TestShort(t *testing.T) {
	v := Vessel{Holds: estimator.Dough, Estimate: estimate(t), Now: at(t, 17, 20)}
	h := House{Zone: vienna(t)}
	assert.Equal(t, "at the mark most likely 18:15", Short(v, h))
	v.Estimate.Phase, v.Estimate.PhaseSince, v.Estimate.Quality, v.Estimate.LastSeen = estimator.Ready, at(t, 17, 0), estimator.QualityGap, at(t, 17, 5)
	assert.Equal(t, "at the mark since 17:00; not seen since 17:05", Short(v, h))
	v.Estimate = estimator.Estimate{Phase: estimator.Lag, Quality: estimator.QualityOK}
	assert.Equal(t, "no forecast yet", Short(v, h))
	v.Estimate.LevelsOffShort = true
	assert.Equal(t, "levels off short of the mark", Short(v, h))
	assert.Equal(t, "nothing is watched", Short(Vessel{}, h))
}

func TestMoment(t *testing.T) {
	h := House{Zone: vienna(t)}
	now := at(t, 17, 20)
	for want, m := range map[string]time.Time{
		"17:20":             now,
		"00:00":             at(t, 0, 0),
		"tomorrow 00:00":    at(t, 24, 0),
		"yesterday 23:59":   at(t, 0, -1),
		"Mon 08:00":         at(t, 48+8, 0),
		"Sun 08:00":         at(t, -6*24+8, 0),
		"21 Mar 2026 08:00": at(t, 7*24+8, 0),
	} {
		assert.Equal(t, want, h.Moment(m, now))
	}
}

// The clocks go forward on 29 March 2026 in Vienna (EU directive 2000/84/EC:
// last Sunday of March at 01:00 UTC): that day has 23 hours.
func TestTomorrowAcrossDaylightSaving(t *testing.T) {
	zone := vienna(t)
	h := House{Zone: zone}
	assert.Equal(t, "tomorrow 00:10", h.Moment(time.Date(2026, 3, 30, 0, 10, 0, 0, zone), time.Date(2026, 3, 29, 0, 5, 0, 0, zone)))
	assert.Equal(t, "tomorrow 23:50", h.Moment(time.Date(2026, 3, 29, 23, 50, 0, 0, zone), time.Date(2026, 3, 28, 0, 5, 0, 0, zone)))
}

func TestTable(t *testing.T) {
	v := Vessel{Name: "tub", Holds: estimator.Dough, Estimate: estimate(t), Now: at(t, 17, 20), Steps: []bake.Step{
		{ID: "fold-1", Name: "fold", State: bake.Done, At: at(t, 13, 0), Finished: at(t, 13, 2)},
		{ID: "preheat", Name: "preheat", Do: "Turn the oven on.", Caution: "Hot.", State: bake.Waiting, At: at(t, 17, 40), From: at(t, 17, 40), Until: at(t, 17, 40)},
		{ID: "shape", Name: "shape", State: bake.Waiting, At: at(t, 18, 15), From: at(t, 18, 5), Until: at(t, 18, 30)},
		{ID: "fold-2", Name: "fold 2", State: bake.Skipped, At: at(t, 14, 0), Finished: at(t, 14, 10), Why: "the dough was ahead"},
	}}
	rows := Table(v, []Deed{{ID: 7, At: at(t, 12, 0), Word: "start"}, {ID: 8, At: at(t, 13, 2), Word: "fold"}}, House{Zone: vienna(t)})
	var got []string
	for _, r := range rows {
		got = append(got, strings.Join([]string{r.When, r.Window, r.What}, "|"))
	}
	assert.Equal(t, []string{"12:00||start", "13:02||fold", "14:10||fold 2", "17:40||preheat",
		"18:15|18:05 to 18:30|at the mark, 100 %", "18:15|18:05 to 18:30|shape"}, got)
	assert.True(t, rows[1].Past)
	assert.EqualValues(t, 8, rows[1].DeedID)
	assert.True(t, rows[2].Skipped)
	assert.False(t, rows[3].Past)
	assert.Equal(t, "Hot.", rows[3].Caution)
	assert.True(t, rows[3].Near)
}

// TestNearSteps: what is due or under way and the next two show their details at
// once; the far ones do not, nor what is over.
func TestNearSteps(t *testing.T) {
	v := Vessel{Name: "tub", Holds: estimator.Dough, Estimate: estimate(t), Now: at(t, 17, 20)}
	states := []bake.StepState{bake.Done, bake.Started, bake.DueNow, bake.Waiting, bake.Waiting, bake.Waiting}
	for i, st := range states {
		v.Steps = append(v.Steps, bake.Step{ID: string(rune('a' + i)), Name: "step", State: st, At: at(t, 17, i), Finished: at(t, 17, i), Why: "because"})
	}
	var near []bool
	for _, r := range Table(v, nil, House{Zone: vienna(t)}) {
		if r.StepID != "" {
			near = append(near, r.Near)
		}
		if r.StepID == "a" {
			assert.Empty(t, r.Why, "a step that is done needs no reason")
		}
	}
	assert.Equal(t, []bool{false, true, true, true, true, false}, near)
}

func TestDurationAndChance(t *testing.T) {
	for want, d := range map[string]time.Duration{"0 min": 0, "25 min": 25 * time.Minute, "1 h": time.Hour,
		"2 h 5 min": 125 * time.Minute, "1 d 2 h": 26*time.Hour + 40*time.Minute, "2 d": 48 * time.Hour} {
		assert.Equal(t, want, Duration(d))
	}
	for want, c := range map[string]float64{"7 in 10": 0.72, "less than 1 in 10": 0.01, "more than 9 in 10": 0.999} {
		assert.Equal(t, want, InTen(c))
	}
}

// TestNoNumberWithoutKnowledge: whatever is missing, no sentence says NaN or
// shows a zero time.
func TestNoNumberWithoutKnowledge(t *testing.T) {
	phases := []estimator.Phase{"", estimator.Idle, estimator.Settling, estimator.Lag, estimator.Rising, estimator.Near,
		estimator.Ready, estimator.Over, estimator.Fallen, estimator.Peak, estimator.Falling, estimator.Hungry, estimator.Ended}
	qualities := []estimator.Quality{estimator.QualityOK, estimator.QualityGap, estimator.QualitySuspect}
	maybe := rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(-40, 300))
	now := at(t, 17, 20)
	rapid.Check(t, func(t *rapid.T) {
		e := estimator.Estimate{Phase: rapid.SampledFrom(phases).Draw(t, "phase"), Quality: rapid.SampledFrom(qualities).Draw(t, "quality"),
			RisePercent: maybe.Draw(t, "rise"), RiseSD: maybe.Draw(t, "sd"), RatePercentPerHour: maybe.Draw(t, "rate"),
			DoughC: maybe.Draw(t, "dough"), AirC: maybe.Draw(t, "air"), PeakPercent: maybe.Draw(t, "peak"),
			CeilingPercent: maybe.Draw(t, "ceiling"), CeilingLow: maybe.Draw(t, "low"), CeilingHigh: maybe.Draw(t, "high"),
			ReachChance: maybe.Draw(t, "chance"), Exhausted: rapid.Bool().Draw(t, "exhausted"),
			LevelsOffShort: rapid.Bool().Draw(t, "short"), ReadyIsPast: rapid.Bool().Draw(t, "past"), TargetPercent: 100}
		if rapid.Bool().Draw(t, "times") {
			e.PhaseSince, e.LastSeen, e.PeakAt = now, now, now
		}
		v := Vessel{Name: "tub", Holds: estimator.Dough, Estimate: e, Now: now}
		a := For(v, House{})
		all := a.When + a.Level + a.Next + a.Blind + Why(v, House{})
		for _, r := range Table(v, nil, House{}) {
			all += r.When + r.Window + r.What
		}
		for _, bad := range []string{"NaN", "Inf", "0001", "!", "  "} {
			if strings.Contains(all, bad) {
				t.Fatalf("%q in %q", bad, all)
			}
		}
	})
}
