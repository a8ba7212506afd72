package glance_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web/glance"
)

var update = flag.Bool("update", false, "write the golden file anew")

// clock is a time of an invented Saturday.
func clock(h, m int) time.Time { return time.Date(2026, 3, 14, h, m, 0, 0, time.UTC) }

func span(from, mid, until time.Time) estimator.Window {
	return estimator.Window{From: from, Median: mid, Until: until}
}

// dough is a rise of dough at 15:30 with a change.
func dough(change func(s *bake.State)) bake.State {
	nan := math.NaN()
	s := bake.State{At: clock(15, 30), Vessel: "tub", Holds: estimator.Dough, RiseID: 3, Batch: "Harbour loaf",
		Rise: bake.Rise{ID: 3, StartedAt: clock(12, 0), TargetPercent: 100},
		Estimate: estimator.Estimate{Time: clock(15, 30), Started: clock(12, 0), RisePercent: 52, RiseSD: 1, RatePercentPerHour: 24, RateSD: 1,
			DoughC: 24.1, AirC: 24.6, TargetPercent: 100, Ready: span(clock(17, 10), clock(17, 40), clock(18, 30)), ReachChance: 0.95,
			CeilingPercent: 135, PeakPercent: nan, Phase: estimator.Rising, Quality: estimator.QualityOK, LastSeen: clock(15, 30),
			Fan: []estimator.FanPoint{{Time: clock(15, 30), P10Percent: 51, P50Percent: 52, P90Percent: 53}, {Time: clock(17, 30), P10Percent: 90, P50Percent: 98, P90Percent: 106}}},
		Steps: []bake.Step{
			step("fold-3", "fold", bake.Done, clock(13, 30)),
			step(bake.ShapeID, "shape", bake.Waiting, clock(17, 40)),
			step(bake.BakeID, "in.pot", bake.Waiting, clock(19, 45))}}
	change(&s)
	return s.Derived()
}

func step(id, key string, state bake.StepState, at time.Time) bake.Step {
	do := bake.Said{Key: "step." + key + ".do", Values: bake.Values{"hot_c": 250.0, "then_c": 230.0, "low_c": 93.0, "best_c": 97.0, "most_c": 99.0}}
	return bake.Step{ID: id, Key: key, Name: bake.Said{Key: "step." + key + ".name"}, Do: do, Hands: true, Trigger: bake.ByClock, State: state, At: at, From: at, Until: at, Finished: at}
}

// after is a shaped loaf at 20:00.
func after(stage bake.AfterStage, change func(s *bake.State)) bake.State {
	return dough(func(s *bake.State) {
		s.At, s.RiseID, s.Estimate.Phase = clock(20, 0), 0, estimator.Ended
		s.Rise.ReachedAt, s.Rise.EndedAt = clock(17, 42), clock(18, 25)
		s.Steps = []bake.Step{step(bake.ShapeID, "shape", bake.Done, clock(18, 25)), step(bake.PreheatID, "preheat.pot", bake.Waiting, clock(20, 10)),
			step(bake.BakeID, "in.pot", bake.Waiting, clock(20, 50)), step(bake.OutID, "out", bake.Waiting, clock(21, 35)), step(bake.SliceID, "slice", bake.Waiting, clock(23, 30))}
		s.After = &bake.After{Stage: stage, Since: clock(18, 25), CoreC: math.NaN(), Until: span(clock(20, 20), clock(20, 50), clock(21, 20)),
			Basis: bake.TimeBasis, Done: bake.Core{LowC: 93, BestC: 96, MostC: 99}, SliceC: 35}
		change(s)
	})
}

// past closes the first steps.
func past(s *bake.State, n int) {
	for i := range n {
		s.Steps[i].State, s.Steps[i].Finished = bake.Done, s.At.Add(-10*time.Minute)
	}
}

// starter is a fed jar at 15:30.
func starter(p estimator.Phase, change func(s *bake.State)) bake.State {
	return dough(func(s *bake.State) {
		s.Vessel, s.Holds, s.Batch, s.Steps, s.Rise.StartedAt = "jar", estimator.Starter, "", nil, clock(9, 0)
		s.Estimate.Phase, s.Estimate.PhaseSince, s.Estimate.PeakPercent, s.Estimate.PeakAt = p, clock(14, 50), 182, clock(14, 10)
		s.Estimate.Ready, s.Estimate.ReadyIsPast = span(clock(12, 1), clock(12, 2), clock(12, 3)), true
		s.Care = &bake.Care{Peak: span(clock(13, 40), clock(14, 10), clock(14, 40)), UseFrom: clock(13, 20), UseUntil: clock(15, 50),
			Hungry: span(clock(17, 0), clock(18, 0), clock(19, 0)), NextFeed: clock(17, 0)}
		change(s)
	})
}

// stand is one row of the table.
type stand struct {
	name string
	in   glance.Input
}

func row(name string, s bake.State) stand { return stand{name, glance.Input{State: s}} }

// atNight is a dough that would be ready while everybody sleeps, with what to do by when.
func atNight(by time.Time) func(s *bake.State) {
	return func(s *bake.State) {
		s.Advice = &bake.Advice{Key: bake.AdviseFridge, At: clock(27, 10), By: by, Then: clock(30, 30), LandsPercent: 93, Tap: bake.EventFridge}
	}
}

// stands lists each state that a page can show.
func stands() []stand {
	none := func(s *bake.State) {}
	idle := func(s *bake.State) {
		nan := math.NaN()
		s.RiseID, s.Batch, s.Steps, s.Rise = 0, "", nil, bake.Rise{}
		s.Estimate = estimator.Estimate{Time: s.At, Phase: estimator.Idle, RisePercent: nan, DoughC: nan, AirC: 21.2, PeakPercent: nan}
	}
	phase := func(p estimator.Phase, since time.Time, percent float64) func(s *bake.State) {
		return func(s *bake.State) {
			s.Estimate.Phase, s.Estimate.PhaseSince, s.Estimate.RisePercent = p, since, percent
			s.Estimate.ReadyIsPast = p == estimator.Ready || p == estimator.Over || p == estimator.Fallen
			if s.Estimate.ReadyIsPast {
				s.Estimate.Ready = span(clock(15, 20), clock(15, 22), clock(15, 24))
			}
		}
	}
	out := []stand{
		row("nothing rising", dough(idle)),
		row("nothing rising, starter", dough(func(s *bake.State) { idle(s); s.Holds, s.Vessel = estimator.Starter, "jar" })),
		row("planned", dough(func(s *bake.State) {
			s.RiseID, s.Rise = 0, bake.Rise{}
			s.Plan = &bake.PlanState{Wanted: clock(20, 0).AddDate(0, 0, 1), Pending: true, Ready: span(clock(18, 0).AddDate(0, 0, 1), clock(19, 0).AddDate(0, 0, 1), clock(20, 30).AddDate(0, 0, 1))}
			s.Steps = []bake.Step{step("mix", "mix", bake.Waiting, clock(17, 0)), step(bake.ShapeID, "shape", bake.Waiting, clock(22, 0))}
		})),
		row("settling", dough(func(s *bake.State) {
			phase(estimator.Settling, clock(15, 25), 0)(s)
			s.Estimate.Ready = estimator.Window{}
		})),
		row("not rising yet", dough(phase(estimator.Lag, clock(15, 0), 3))),
		row("rising", dough(none)),
		row("rising, may stop short", dough(func(s *bake.State) { s.Estimate.ReachChance = 0.7 })),
		row("rising, own target", dough(func(s *bake.State) { s.Estimate.TargetPercent = 85 })),
		row("a fold is due", dough(func(s *bake.State) { s.Steps[0] = step("fold-3", "fold", bake.DueNow, clock(15, 28)) })),
		row("the oven is to be looked into", dough(func(s *bake.State) {
			s.Steps[0] = step(bake.OvenCheckID, "oven-check", bake.DueNow, clock(15, 28))
			s.Steps[0].Question = bake.Said{Key: "step.oven-check.question"}
		})),
		row("ready at night, in the afternoon", dough(atNight(clock(22, 30)))),
		row("ready at night, to be done soon", dough(atNight(clock(16, 30)))),
		row("may never get there", dough(func(s *bake.State) { s.Estimate.LevelsOffShort, s.Estimate.CeilingPercent = true, 82 })),
		row("a basket that may never get there", dough(func(s *bake.State) {
			s.Vessel, s.ProofOf, s.ProofBasis, s.Steps = "basket", "tub", bake.BasketBasis, nil
			s.Estimate.LevelsOffShort, s.Estimate.TargetPercent, s.Estimate.CeilingPercent, s.Estimate.RisePercent = true, 45, 38, 33
		})),
		row("in the fridge", dough(func(s *bake.State) { s.InFridge = true })),
		row("ready, and in the fridge since", dough(func(s *bake.State) { phase(estimator.Ready, clock(15, 22), 102)(s); s.InFridge, s.Steps = true, nil })),
		row("near", dough(phase(estimator.Near, clock(15, 10), 91))),
		row("ready", dough(phase(estimator.Ready, clock(15, 22), 102))),
		row("past it", dough(phase(estimator.Over, clock(15, 22), 126))),
		row("fallen", dough(func(s *bake.State) {
			phase(estimator.Fallen, clock(15, 12), 101)(s)
			s.Estimate.PeakPercent = 131
		})),
		row("cannot see", dough(func(s *bake.State) {
			s.Estimate.Quality, s.Estimate.LastSeen, s.Estimate.QualityReason = estimator.QualityGap, clock(14, 2), estimator.NothingInRange
		})),
		row("catching up", dough(func(s *bake.State) { s.WorkingOut = true })),
		row("by hand, a look is due", dough(func(s *bake.State) { s.ByHand, s.LookAt = true, clock(15, 28) })),
		row("by hand, a look comes", dough(func(s *bake.State) { s.ByHand, s.LookAt = true, clock(16, 10) })),
		{"by hand", glance.Input{State: dough(none), ByHand: true}},
		{"clock in doubt", glance.Input{State: dough(none), ClockInDoubt: true}},
		{"read only", glance.Input{State: dough(phase(estimator.Ready, clock(15, 22), 102)), Reading: true}},
	}
	return append(append(out, starters()...), loaves()...)
}

func starters() []stand {
	none := func(s *bake.State) {}
	return []stand{
		row("starter rising", starter(estimator.Rising, func(s *bake.State) {
			s.At, s.Estimate.Time = clock(12, 0), clock(12, 0)
			s.Estimate.ReadyIsPast = false
		})),
		row("starter peak", starter(estimator.Peak, none)),
		row("starter falling", starter(estimator.Falling, none)),
		row("starter hungry", starter(estimator.Hungry, none)),
	}
}

func loaves() []stand {
	none := func(s *bake.State) {}
	return []stand{
		row("shaped and proving", after(bake.Proofing, none)),
		row("proving in the fridge", after(bake.Proofing, func(s *bake.State) { s.InFridge = true })),
		row("a night in the cold", dough(func(s *bake.State) {
			s.At, s.RiseID = clock(22, 0), 0
			out := clock(7, 0).AddDate(0, 0, 1)
			s.Steps = []bake.Step{step(bake.ShapeID, "shape", bake.Done, clock(18, 25)), {ID: bake.RetardID, Key: "retard", State: bake.Started, At: clock(18, 30)},
				step(bake.BakeID, "in.pot", bake.Waiting, out)}
		})),
		row("ready for the oven", after(bake.Proofed, func(s *bake.State) { past(s, 1); s.After.Since = clock(19, 50) })),
		row("preheating", after(bake.Proofing, func(s *bake.State) { past(s, 2); s.Steps[1].Takes = 50 * time.Minute })),
		row("in the oven", after(bake.Baking, func(s *bake.State) { past(s, 3); s.After.Until = span(clock(20, 25), clock(20, 30), clock(20, 35)) })),
		row("in the oven, with a probe", after(bake.Baking, func(s *bake.State) { past(s, 3); s.After.CoreC = 71 })),
		row("done in the oven", after(bake.LoafDone, func(s *bake.State) {
			past(s, 3)
			s.After.Since, s.After.CoreC = clock(19, 57), 96
			s.Steps[3].State = bake.DueNow
		})),
		row("cooling", after(bake.Cooling, func(s *bake.State) { past(s, 4); s.After.Until = span(clock(21, 0), clock(21, 30), clock(22, 30)) })),
		row("done", after(bake.Sliceable, func(s *bake.State) { past(s, 4); s.After.Since, s.Steps[4].State = clock(19, 40), bake.DueNow })),
		row("cut", dough(func(s *bake.State) {
			s.At, s.RiseID = clock(21, 50), 0
			s.Rise.ReachedAt, s.Rise.EndedAt = clock(17, 42), clock(18, 25)
			s.Process = &bake.Process{Defs: []bake.StepDef{{ID: bake.SliceID}}, Marks: map[string]bake.Mark{bake.SliceID: {State: bake.Done, At: clock(21, 50)}}}
			s.Steps = nil
		})),
	}
}

// lines writes a glance as text.
func lines(g glance.Glance) string {
	var b strings.Builder
	line := func(name string, parts ...string) {
		parts = slices.DeleteFunc(parts, func(p string) bool { return p == "" })
		if len(parts) > 0 {
			fmt.Fprintf(&b, "  %-8s %s\n", name, strings.Join(parts, " | "))
		}
	}
	line("name", g.Name, g.Place, "chip: "+g.Chip)
	line("big", g.Word, strings.TrimSpace(g.Day+" "+g.Big+" "+g.Suffix), g.Away)
	if s := g.Strip; s != nil {
		line("range", s.FromText, s.UntilText)
	}
	line("says", g.Sentence, g.Doubt)
	line("do", g.Do, g.How, g.Caution)
	var taps []string
	for _, t := range []*glance.Tap{g.Main, g.Other} {
		if t != nil {
			taps = append(taps, "["+t.Label+"]")
		}
	}
	for _, t := range g.Else {
		taps = append(taps, t.Label)
	}
	if g.Judge {
		taps = append(taps, "under, right or over")
	}
	line("taps", taps...)
	if g.Calls {
		line("accent", "wants a hand")
	}
	return strings.ReplaceAll(b.String(), "\u00a0", " ")
}

// TestEveryState: each state of a bake, feed to slice, as it is said in both
// languages and both ways of writing; the golden file is the table.
func TestEveryState(t *testing.T) {
	var b strings.Builder
	for _, st := range stands() {
		fmt.Fprintf(&b, "%s (%s)\n", st.name, st.in.State.Status)
		for _, loc := range []text.Locale{{}, {Clock12: true, Fahrenheit: true}, {Language: "de"}} {
			g := glance.Of(st.in, text.New(loc))
			out := lines(g)
			assert.NotContains(t, out, "{", st.name)
			assert.NotContains(t, out, "page.", st.name)
			for _, bad := range []string{"NaN", "!", "8 in 10", "mark", "unknown", "01:00:00"} {
				assert.NotContains(t, strings.ReplaceAll(out, "tidemark", ""), bad, st.name)
			}
			assert.NotEmpty(t, g.Big, st.name)
			assert.NotEmpty(t, g.Do, st.name)
			b.WriteString(out)
		}
	}
	const file = "testdata/glance.txt"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), b.String())
}

// TestEachStatusIsShown: the table leaves no status out.
func TestEachStatusIsShown(t *testing.T) {
	seen := map[bake.Status]bool{}
	for _, st := range stands() {
		seen[st.in.State.Status] = true
	}
	for _, s := range []bake.Status{bake.StatusNothing, bake.StatusPlanned, bake.StatusSettling, bake.StatusWaiting, bake.StatusRising,
		bake.StatusStalling, bake.StatusCold, bake.StatusNear, bake.StatusReady, bake.StatusPast, bake.StatusProving, bake.StatusProvingCold,
		bake.StatusProved, bake.StatusPreheating, bake.StatusOven, bake.StatusBaked, bake.StatusCooling, bake.StatusDone, bake.StatusBlind,
		bake.StatusCatchingUp, bake.StatusStarterRising, bake.StatusStarterPeak, bake.StatusStarterFalling, bake.StatusStarterHungry} {
		assert.True(t, seen[s], s)
	}
}

// TestOneButton: what only waits has no button, what wants a hand has exactly one
// filled one, and nothing is offered twice.
func TestOneButton(t *testing.T) {
	for _, st := range stands() {
		g := glance.Of(st.in, text.New(text.Locale{}))
		if st.in.Reading {
			assert.Nil(t, g.Main)
			assert.Empty(t, g.Else)
			continue
		}
		waits := st.in.State.Now.Key == bake.TodoWait || st.in.State.Now.Key == bake.TodoLeave
		assert.False(t, waits && (g.Main != nil || g.Calls), st.name)
		labels := map[string]bool{}
		for _, tap := range append(g.Else, also(g.Main, g.Other)...) {
			assert.False(t, labels[tap.Label], "%s offers %q twice", st.name, tap.Label)
			labels[tap.Label] = true
		}
	}
}

func also(taps ...*glance.Tap) []glance.Tap {
	var out []glance.Tap
	for _, t := range taps {
		if t != nil {
			out = append(out, *t)
		}
	}
	return out
}

// TestWarningsBesideTheState: an alarm that the state says already is not told
// twice.
func TestWarningsBesideTheState(t *testing.T) {
	in := stands()[5].in
	in.Alarms = []alert.Alarm{{ID: "1", Kind: alert.TooHot, State: alert.Firing, Title: "tub: dough at 31 °C"}, {ID: "2", Kind: alert.StepDue, State: alert.Firing},
		{ID: "3", Kind: alert.OvenHeating, State: alert.Resolved}}
	g := glance.Of(in, text.New(text.Locale{}))
	require.Len(t, g.Warnings, 1)
	assert.Equal(t, "1", g.Warnings[0].ID)
	require.Len(t, g.Messages, 1, "it can still be answered further down")
	assert.Equal(t, "2", g.Messages[0].ID)
}

// TestStaff: the level, the mark and the level in an hour stand in order.
func TestStaff(t *testing.T) {
	st := glance.Of(stands()[5].in, text.New(text.Locale{})).Staff
	assert.InDelta(t, 52.0/165, st.Fill, 1e-9)
	assert.InDelta(t, 75.0/165, st.Band, 1e-9, "98 % in two hours, so 75 % in one")
	assert.InDelta(t, 100.0/165, st.Mark, 1e-9)
	assert.Equal(t, "At 52\u00a0%, target 100\u00a0%.", st.Text)
}

// TestNoNumberWithoutKnowledge: whatever is missing, no sentence says NaN or shows a
// zero time.
func TestNoNumberWithoutKnowledge(t *testing.T) {
	phases := []estimator.Phase{"", estimator.Idle, estimator.Settling, estimator.Lag, estimator.Rising, estimator.Near,
		estimator.Ready, estimator.Over, estimator.Fallen, estimator.Peak, estimator.Falling, estimator.Hungry, estimator.Ended}
	qualities := []estimator.Quality{estimator.QualityOK, estimator.QualityGap, estimator.QualitySuspect}
	maybe := rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(-40, 300))
	l := text.New(text.Locale{})
	rapid.Check(t, func(t *rapid.T) {
		e := estimator.Estimate{Phase: rapid.SampledFrom(phases).Draw(t, "phase"), Quality: rapid.SampledFrom(qualities).Draw(t, "quality"),
			RisePercent: maybe.Draw(t, "rise"), RiseSD: maybe.Draw(t, "sd"), RatePercentPerHour: maybe.Draw(t, "rate"),
			DoughC: maybe.Draw(t, "dough"), AirC: maybe.Draw(t, "air"), PeakPercent: maybe.Draw(t, "peak"),
			CeilingPercent: maybe.Draw(t, "ceiling"), ReachChance: rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(0, 1)).Draw(t, "chance"),
			Exhausted: rapid.Bool().Draw(t, "exhausted"), LevelsOffShort: rapid.Bool().Draw(t, "short"),
			ReadyIsPast: rapid.Bool().Draw(t, "past"), TargetPercent: 100}
		if rapid.Bool().Draw(t, "times") {
			e.PhaseSince, e.LastSeen, e.PeakAt = clock(15, 0), clock(15, 0), clock(15, 0)
		}
		s := bake.State{At: clock(15, 30), Vessel: "tub", Holds: rapid.SampledFrom([]estimator.Holds{estimator.Dough, estimator.Starter}).Draw(t, "holds"),
			RiseID: int64(rapid.IntRange(0, 1).Draw(t, "id")), Estimate: e, InFridge: rapid.Bool().Draw(t, "cold")}
		g := glance.Of(glance.Input{State: s.Derived()}, l)
		all := lines(g) + g.Staff.Text
		for _, bad := range []string{"NaN", "Inf", "0001", "!", "{", "page."} {
			if strings.Contains(all, bad) {
				t.Fatalf("%q in %q", bad, all)
			}
		}
		if g.Big == "" {
			t.Fatalf("nothing stands in the place of the time: %q", all)
		}
	})
}
