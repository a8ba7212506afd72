package bake

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
)

func start() time.Time { return time.Date(2026, 3, 7, 9, 0, 0, 0, time.UTC) }

func at(h, m int) time.Time {
	return start().Add(time.Duration(h-9)*time.Hour + time.Duration(m)*time.Minute)
}

// unseen is the estimate of a vessel nobody watches.
func unseen() estimator.Estimate {
	return estimator.Estimate{Phase: estimator.Idle, AirC: math.NaN(), DoughC: math.NaN(), RisePercent: math.NaN()}
}

// risingTo is an estimate with a forecast for the mark.
func risingTo(began, ready time.Time) estimator.Estimate {
	e := unseen()
	e.Started, e.TargetPercent, e.RisePercent, e.Phase = began, 100, 20, estimator.Rising
	e.Ready = estimator.Window{From: ready.Add(-20 * time.Minute), Median: ready, Until: ready.Add(40 * time.Minute)}
	return e
}

func pick(t *testing.T, steps []Step, id string) Step {
	t.Helper()
	for _, s := range steps {
		if s.ID == id {
			return s
		}
	}
	require.Failf(t, "no such step", id)
	return Step{}
}

// tubbed is a process whose dough went into the tub at 09:45.
func tubbed(t *testing.T, roomC float64) Process {
	t.Helper()
	p := NewProcess(DefaultBatch(), start(), roomC)
	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	return p
}

func clock(s Step) string { return s.At.Format("15:04") }

// A colder room stretches the usual time, by the published responses.
func TestUsualTimeFollowsTheRoom(t *testing.T) {
	warm := NewProcess(DefaultBatch(), start(), 24)
	cold := NewProcess(DefaultBatch(), start(), 20)
	bulk := func(p Process) time.Duration {
		return pick(t, p.Steps(at(8, 0), unseen()), "bulk").At.Sub(at(9, 10))
	}
	assert.InDelta(t, 7, bulk(warm).Hours(), 0.05)
	// 20 C relative to 24 C: 0.6161 (Ganzle 1998) and 0.7435 (cardinal model).
	assert.InDelta(t, bulk(warm).Hours()/((0.6161+0.7435)/2), bulk(cold).Hours(), 0.005)
}

// A bulk that nobody sees takes as long as its own mark needs: the vetted times (a
// baker's video description: 25 C to 50 % 5 to 6 h, 21 C to 75 % 9 to 11 h, below 20 C
// to 100 % 12 h or more) within a quarter.
func TestTheUsualTimeFitsTheMark(t *testing.T) {
	for _, row := range []struct{ c, rise, low, high float64 }{{27, 30, 4.5, 5}, {25, 50, 5, 6}, {23, 60, 6, 7}, {21, 75, 9, 11}, {19, 100, 12, 16}} {
		p := NewProcess(DefaultBatch(), start(), row.c)
		e := unseen()
		e.TargetPercent = row.rise
		took := pick(t, p.Steps(at(8, 0), e), BulkID).At.Sub(at(9, 10)).Hours()
		t.Logf("%g C to %g %%: %.1f h, published %g to %g h", row.c, row.rise, took, row.low, row.high)
		assert.GreaterOrEqual(t, took, 0.75*row.low)
		assert.LessOrEqual(t, took, 1.25*row.high)
	}
}

// A tap that is left over from another plan divides no dough that is not mixed,
// and answers for no oven.
func TestNothingAfterTheBulkComesBeforeTheMixing(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	for _, id := range []string{"divide", BulkID, ShapeID, OvenCheckID, PreheatID, OutID, SliceID} {
		assert.ErrorContains(t, p.Done(id, at(9, 5), "Ada"), "refused.not_yet", id)
	}
	assert.ErrorContains(t, p.tell(BakeID, Mark{State: Started, At: at(9, 5), By: "Ada"}), "refused.not_yet")
	assert.Empty(t, p.Marks, "nothing was taken")
	require.NoError(t, p.Done("rest", at(9, 40), "Ada"))
	require.NoError(t, p.Done("divide", at(15, 0), "Ada"))
}

func TestMarksRefuseNonsense(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	assert.ErrorContains(t, p.Done("knead", at(9, 0), "Ada"), "refused.no_step")
	assert.ErrorContains(t, p.Done("mix", time.Time{}, "Ada"), "refused.no_time")
	require.NoError(t, p.tell("mix", Mark{State: Skipped, At: at(9, 0), By: "Ada"}))
	assert.ErrorContains(t, p.Done("mix", at(9, 5), "Ada"), "refused.closed.skipped")
	delete(p.Marks, "mix")
	require.NoError(t, p.tell("mix", Mark{State: Started, At: at(9, 5), By: "Ada"}))
	assert.Equal(t, Started, pick(t, p.Steps(at(9, 6), unseen()), "mix").State)
	require.NoError(t, p.Done("mix", at(9, 15), "Ada"))
	assert.Equal(t, at(9, 5), pick(t, p.Steps(at(9, 16), unseen()), "mix").At)
}

// Whatever is done when, the timetable stays ordered and nothing done moves.
func TestStepsProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := NewProcess(DefaultBatch(), start(), rapid.Float64Range(16, 28).Draw(rt, "room"))
		now := start()
		for range rapid.IntRange(0, 12).Draw(rt, "acts") {
			now = now.Add(time.Duration(rapid.IntRange(0, 90).Draw(rt, "minutes")) * time.Minute)
			d := p.Defs[rapid.IntRange(0, len(p.Defs)-1).Draw(rt, "step")]
			switch rapid.IntRange(0, 2).Draw(rt, "what") {
			case 0:
				_ = p.Done(d.ID, now, "Ada")
			case 1:
				_ = p.tell(d.ID, Mark{State: Skipped, At: now, By: "Ada"})
			default:
				_ = p.tell(d.ID, Mark{State: Started, At: now, By: "Ada"})
			}
		}
		est := risingTo(at(9, 10), now.Add(time.Duration(rapid.IntRange(-60, 300).Draw(rt, "ready"))*time.Minute))
		before := p.Steps(now, est)
		p.record(now, est)
		for i, s := range p.Steps(now, est) {
			if s.From.After(s.At) || s.At.After(s.Until) {
				rt.Fatalf("%s: %v %v %v", s.ID, s.From, s.At, s.Until)
			}
			if s.Trigger != Ahead && (s.State == Waiting) && s.Until.Before(now) {
				rt.Fatalf("%s waits but lies in the past: %v", s.ID, s.Until)
			}
			if b := before[i]; (b.State == Done || b.State == Skipped) && !b.Finished.IsZero() && (b.State != s.State || !b.Finished.Equal(s.Finished)) {
				rt.Fatalf("%s was %s at %v, now %s at %v", s.ID, b.State, b.Finished, s.State, s.Finished)
			}
		}
	})
}

// line says of a step what it is told of: its ID and state, when it is due or was, between
// which times, by whom and why.
func line(x Step) string {
	out := fmt.Sprintf("%s %s %s", x.ID, x.State, clock(x))
	if x.Until.After(x.From) {
		out += " " + x.From.Format("15:04") + "-" + x.Until.Format("15:04")
	}
	for _, more := range []string{x.By, words(x.Why...)} {
		if more != "" {
			out += ", " + more
		}
	}
	return out
}

// TestSteps lays bakes out as they stand at a moment: what slipped pushes the rest, a rise
// leads by its forecast, folds near the mark are left out, the oven is hot when the proof
// ends, and what the clock or the sensor closed stays.
func TestSteps(t *testing.T) {
	done := func(id string, h, m int) func(*Process) {
		return func(p *Process) { require.NoError(t, p.Done(id, at(h, m), "Ada")) }
	}
	begun := func(id string, h, m int) func(*Process) {
		return func(p *Process) { require.NoError(t, p.tell(id, Mark{State: Started, At: at(h, m), By: "Ben"})) }
	}
	recorded := func(h, m int, e estimator.Estimate) func(*Process) {
		return func(p *Process) { p.record(at(h, m), e) }
	}
	with := func(e estimator.Estimate, change func(*estimator.Estimate)) estimator.Estimate {
		change(&e)
		return e
	}
	rise, none := risingTo(at(9, 45), at(13, 30)), unseen()
	late := risingTo(at(9, 45), at(12, 20)) // the folds fall at 10:15, 10:48, 11:21 and 11:54
	ended := with(risingTo(at(9, 12), at(14, 0)), func(e *estimator.Estimate) { e.Phase, e.PhaseSince = estimator.Ended, at(13, 50) })
	fan := with(risingTo(at(9, 45), at(15, 0)), func(e *estimator.Estimate) {
		e.RisePercent, e.Fan = 30, []estimator.FanPoint{{Time: at(10, 30), P50Percent: 40}, {Time: at(11, 0), P50Percent: 62}}
	})
	proof := risingTo(at(14, 0), at(16, 0))
	for _, c := range []struct {
		name string
		told []func(*Process)
		now  time.Time
		e    estimator.Estimate
		want []string
	}{
		{"before the start", nil, at(8, 0), none, []string{"mix waiting 09:00", "salt waiting 09:40", "fold-1 waiting 10:15", "bulk waiting 16:10 14:05-19:06, By the usual time: nothing watches this."}},
		{"nobody mixes", nil, at(9, 20), none, []string{"mix due 09:00, Due since 09:00; the rest moves with it.", "fold-1 waiting 10:35"}},
		{"mixed late", []func(*Process){done("mix", 9, 30)}, at(9, 31), none, []string{"mix done 09:30, Ada", "rest started 09:30, clock", "salt waiting 10:00"}},
		{"in the tub", []func(*Process){done("salt", 9, 45)}, at(9, 50), rise, []string{"bulk started 13:30 13:10-14:10", "divide waiting 13:30 13:10-14:10", "shape waiting 14:00 13:40-14:40"}},
		{"at the mark", []func(*Process){done("salt", 9, 45)}, at(13, 31), rise, []string{"bulk due 13:30 13:10-14:10"}},
		{"the bulk ended", []func(*Process){done("salt", 9, 45), done("bulk", 13, 35)}, at(13, 36), rise, []string{"fold-1 skipped 13:35, tidemark, A later step was done.", "fold-4 skipped 13:35, tidemark, A later step was done.", "divide due 13:35, Due since 13:35; the rest moves with it.", "proof waiting 15:56 15:16-16:56, By the usual time: nothing watches this."}},
		{"a fold too late", []func(*Process){done("salt", 9, 45)}, at(10, 0), late, []string{"fold-3 waiting 11:21", "fold-4 skipped 11:54, forecast, Left out: the target is expected about 12:20, less than 45 min after it."}},
		{"the mark moves away again", []func(*Process){done("salt", 9, 45), recorded(10, 0, late)}, at(10, 1), risingTo(at(9, 45), at(14, 0)), []string{"fold-4 waiting 11:54"}},
		{"what was recorded stays", []func(*Process){done("salt", 9, 45), done("fold-3", 11, 30), recorded(12, 10, late)}, at(12, 11), risingTo(at(9, 45), at(16, 0)), []string{"fold-4 skipped 12:00, forecast, Left out: the target is expected about 12:20, less than 45 min after it."}},
		{"far along", []func(*Process){done("salt", 9, 45)}, at(10, 20), with(fan, func(e *estimator.Estimate) { e.RisePercent = 65 }), []string{"fold-1 skipped 10:15, forecast, Left out: the dough will have done 65 % of its way to the target."}},
		{"soon far along", []func(*Process){done("salt", 9, 45)}, at(10, 0), fan, []string{"fold-1 waiting 10:15", "fold-3 skipped 11:21, forecast, Left out: the dough will have done 62 % of its way to the target."}},
		{"beyond", []func(*Process){done("salt", 9, 45)}, at(10, 20), with(fan, func(e *estimator.Estimate) { e.Phase = estimator.Over }), []string{"fold-1 skipped 10:15, forecast, Left out: the dough is near its target or beyond."}},
		{"a quick bulk and a night", []func(*Process){func(p *Process) {
			*p = p.Retarded()
			p.Edit(BulkID, func(d *StepDef) { d.Usual = Spread{LowMin: 90, MidMin: 120, HighMin: 150} })
		}}, at(8, 0), none, []string{"fold-1 waiting 10:15", "fold-2 skipped 10:48, forecast, Left out: the target is expected about 11:10, less than 45 min after it.", "fold-4 skipped 11:48, forecast, Left out: the target is expected about 11:10, less than 45 min after it.", "bulk waiting 11:10 10:40-11:40, By the usual time: nothing watches this.", "retard waiting 11:50 11:20-12:20"}},
		{"the proof is watched", []func(*Process){done("salt", 9, 45), done("shape", 14, 0)}, at(14, 10), proof, []string{"oven-check waiting 14:50 14:40-15:00", "preheat waiting 15:00 14:50-15:10", "bake-covered waiting 16:00 15:40-16:40"}},
		{"it takes longer", []func(*Process){done("salt", 9, 45), done("shape", 14, 0)}, at(14, 10), risingTo(at(14, 0), at(17, 0)), []string{"preheat waiting 16:00 15:50-16:10"}},
		{"time to heat", []func(*Process){done("salt", 9, 45), done("shape", 14, 0), done("oven-check", 15, 2)}, at(15, 3), proof, []string{"preheat due 15:00 14:50-15:10"}},
		{"heated late", []func(*Process){done("salt", 9, 45), done("shape", 14, 0), done("preheat", 15, 40)}, at(15, 41), proof, []string{"bake-covered waiting 16:30 16:30-16:40"}},
		{"proved before it is hot", []func(*Process){done("salt", 9, 45), done("shape", 14, 0), done("preheat", 15, 40), done("proof", 16, 0)}, at(16, 10), none, []string{"bake-covered waiting 16:30"}},
		{"hot", []func(*Process){done("salt", 9, 45), done("shape", 14, 0), done("preheat", 15, 40), done("proof", 16, 0)}, at(16, 31), none, []string{"bake-covered due 16:31"}},
		{"heating was begun and is over", []func(*Process){done("salt", 9, 45), done("shape", 14, 0), begun("preheat", 15, 0), done("preheat", 15, 50)}, at(15, 51), proof, []string{"bake-covered waiting 16:00 15:51-16:40"}},
		{"out of the oven", []func(*Process){done("salt", 9, 45), done("bake-covered", 17, 0), done("out", 17, 25)}, at(17, 30), none, []string{"preheat skipped 16:10, tidemark, What it was for is over.", "cool started 17:25, clock", "slice waiting 19:06 18:42-19:36"}},
		{"the probe knows when it is cool", []func(*Process){done("salt", 9, 45), done("bake-covered", 17, 0), done("out", 17, 25), func(p *Process) {
			p.Track.CoolBy = estimator.Window{From: at(18, 40), Median: at(18, 45), Until: at(18, 50)}
		}}, at(18, 46), none, []string{"cool done 17:25, clock, By the probe in the loaf.", "slice due 18:45, Due since 18:45; the rest moves with it."}},
		{"the sensor saw it begin", []func(*Process){recorded(9, 30, risingTo(at(9, 12), at(14, 0)))}, at(9, 31), risingTo(at(9, 12), at(14, 0)), []string{"mix done 09:12, sensor, A rise began in the vessel.", "bulk started 14:00 13:40-14:40"}},
		{"and end", []func(*Process){recorded(13, 51, ended)}, at(13, 52), ended, []string{"fold-2 skipped 13:50, tidemark, A later step was done.", "bulk done 13:50, sensor, The rise in the vessel was ended.", "divide due 13:50, Due since 13:50; the rest moves with it."}},
		{"mixing ticked off late is one rise", []func(*Process){done("mix", 10, 0)}, at(10, 1), risingTo(at(9, 0), at(13, 30)), []string{"bulk started 13:30 13:10-14:10"}},
		{"a rise of an earlier dough", []func(*Process){done("mix", 10, 0)}, at(10, 1), risingTo(at(7, 0), at(13, 30)), []string{"bulk started 18:06 15:41-21:30, By the usual time: nothing watches this."}},
		{"restarted at the mark, without a forecast", []func(*Process){done("fold-4", 12, 0)}, at(13, 5), with(rise, func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Ready = estimator.Ready, at(13, 0), estimator.Window{}
		}), []string{"bulk due 13:00"}},
		{"no rise left short of the mark", []func(*Process){done("fold-4", 12, 0)}, at(13, 5), with(rise, func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Exhausted, e.Ready = estimator.Over, at(13, 0), true, estimator.Window{}
		}), []string{"bulk due 13:00"}},
		{"fallen short of the mark", []func(*Process){done("fold-4", 12, 0)}, at(13, 5), with(rise, func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Ready = estimator.Fallen, at(13, 0), estimator.Window{}
		}), []string{"bulk due 13:00"}},
	} {
		p := NewProcess(DefaultBatch(), start(), 24)
		for _, tell := range c.told {
			tell(&p)
		}
		steps := p.Steps(c.now, c.e)
		for _, want := range c.want {
			id, _, _ := strings.Cut(want, " ")
			assert.Equal(t, want, line(pick(t, steps, id)), c.name)
		}
	}
}

// At its end no rise is told to be waited for: what is due is the next thing to do.
func TestAtTheMarkNothingSaysToWaitForIt(t *testing.T) {
	p := tubbed(t, 24)
	bulk := pick(t, p.Steps(at(13, 31), risingTo(at(9, 45), at(13, 30))), BulkID)
	assert.Equal(t, "Turn the dough out, divide it and round the pieces.", words(bulk.Do))
	assert.Contains(t, words(bulk.Caution...), "Raw flour")
	require.NoError(t, p.Done(ShapeID, at(14, 0), "page"))
	proof := pick(t, p.Steps(at(14, 30), unseen()), ProofID)
	assert.Equal(t, Started, proof.State)
	assert.Contains(t, words(proof.Do), "grown by about half")
	proof = pick(t, p.Steps(at(16, 30), unseen()), ProofID)
	assert.Equal(t, DueNow, proof.State)
	assert.NotContains(t, words(proof.Do), "until")
	assert.Contains(t, words(proof.Do), "the loaf goes into the oven")
}

// TestTheTableOfStages: each step of a bake is in it, and each event finds its step.
func TestTheTableOfStages(t *testing.T) {
	b := DefaultBatch()
	b.AtOnce = 1
	p := NewProcess(b, start(), 24)
	for _, d := range p.Fed([]Feed{{At: start(), StarterG: 20, FlourG: 40, WaterG: 40}, {At: at(15, 0), StarterG: 20, FlourG: 40, WaterG: 40}}, at(21, 0)).TubRetarded().Defs {
		assert.NotEmpty(t, stageOf(d.ID).ID, d.ID)
	}
	assert.Equal(t, OutID, stageOf("out-3").ID, "of the third load")
	assert.Equal(t, benchID, stageOf("bench-rest").ID, "a word is no number")

	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	require.NoError(t, p.markFor(Event{Kind: EventFold, At: at(10, 15)}))
	for kind, id := range map[EventKind]string{EventStart: saltID, EventFold: "fold-2", EventEnd: BulkID, EventShaped: ShapeID, EventBaked: OutID, EventNote: "", EventFridge: "", "": ""} {
		assert.Equal(t, id, p.stepOf(Event{Kind: kind}), kind)
	}
	assert.Equal(t, SliceID, p.stepOf(Event{Kind: EventDone, Detail: Detail{StepID: SliceID}}))
	assert.Equal(t, SliceID, (*Process)(nil).stepOf(Event{Kind: EventBegun, Detail: Detail{StepID: SliceID}}))
	assert.Empty(t, (*Process)(nil).stepOf(Event{Kind: EventShaped}))
	for id, leaves := range map[string]bool{divideID: true, ShapeID: true, "fold-1": false, OutID: false} {
		assert.Equal(t, leaves, Event{Kind: EventDone, Detail: Detail{StepID: id}}.Ends(), id)
	}
}

// straight is a rise of 24 % an hour at 24 C, seen at 10:00 with 20 %.
func straight() estimator.Estimate {
	e := unseen()
	e.Time, e.Started, e.Phase = at(10, 0), at(8, 0), estimator.Rising
	e.DoughC, e.AirC, e.RisePercent, e.TargetPercent = 24, 24, 20, 100
	for h := 0.0; h <= 10; h += 0.25 {
		mid := 20 + 24*h
		e.Fan = append(e.Fan, estimator.FanPoint{Time: e.Time.Add(time.Duration(h * float64(time.Hour))), P10Percent: mid - 3*h, P50Percent: mid, P90Percent: mid + 3*h})
	}
	return e
}

// On a straight rise the sum can be done by hand: what the cold is worth and 40 minutes of
// shaping, times 24 % an hour, are left out before the total.
func TestReplan(t *testing.T) {
	light, heavy := Fridge{AirC: 4, PieceKg: 0.75}, Fridge{AirC: 4, PieceKg: 2}
	end := func(f Fridge) float64 {
		p := NewProcess(DefaultBatch(), at(8, 0), 24).Retarded()
		change := p.Replan(straight(), f, 120)
		assert.Contains(t, words(change), "The bulk ends at")
		assert.Empty(t, p.Replan(straight(), f, 120), "nothing new, nothing said")
		return p.Defs[slices.IndexFunc(p.Defs, func(d StepDef) bool { return d.ID == BulkID })].RisePercent
	}
	assert.InDelta(t, 120-24*(light.Carry(24, CarryHours, Speed)+40/60.0), end(light), 0.51)
	assert.Less(t, end(heavy), end(light), "a heavy piece stays warm longer and goes in sooner")

	day := NewProcess(DefaultBatch(), at(8, 0), 24)
	assert.Empty(t, day.Replan(straight(), light, 120), "no night in the cold, nothing to replan")
	night := day.Retarded()
	assert.Empty(t, night.Replan(unseen(), light, 120), "no forecast")
	assert.Empty(t, night.Replan(straight(), light, 500), "never gets there")
	blind := straight()
	blind.DoughC, blind.AirC = math.NaN(), math.NaN()
	assert.Empty(t, night.Replan(blind, light, 120), "the cooling cannot be computed")
}

func BenchmarkSteps(b *testing.B) {
	p := NewProcess(DefaultBatch(), start(), 24)
	e := risingTo(at(9, 10), at(14, 0))
	b.ReportAllocs()
	for b.Loop() {
		p.Steps(at(11, 0), e)
	}
}
