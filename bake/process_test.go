package bake

import (
	"encoding/json"
	"math"
	"slices"
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

func TestStepsBeforeTheStart(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	steps := p.Steps(at(8, 0), unseen())
	require.Len(t, steps, len(p.Defs))
	for _, s := range steps {
		assert.Equal(t, Waiting, s.State, s.ID)
		assert.False(t, s.From.After(s.At) || s.At.After(s.Until), s.ID)
	}
	assert.Equal(t, "09:00", clock(pick(t, steps, "mix")))
	assert.Equal(t, "09:40", clock(pick(t, steps, "salt")))
	assert.Equal(t, "10:15", clock(pick(t, steps, "fold-1")))
	assert.Equal(t, "16:10", clock(pick(t, steps, "bulk")), "seven usual hours after mixing, to 75 %")
}

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

func TestSlippingShiftsTheRest(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	steps := p.Steps(at(9, 20), unseen())
	mix := pick(t, steps, "mix")
	assert.Equal(t, DueNow, mix.State)
	assert.Contains(t, words(mix.Why...), "Due since 09:00")
	assert.Equal(t, "10:35", clock(pick(t, steps, "fold-1")))
	require.NoError(t, p.Done("mix", at(9, 30), "Ada"))
	steps = p.Steps(at(9, 31), unseen())
	assert.Equal(t, Done, pick(t, steps, "mix").State)
	assert.Equal(t, "Ada", pick(t, steps, "mix").By)
	assert.Equal(t, Started, pick(t, steps, "rest").State, "a rest begins by itself")
	assert.Equal(t, "10:00", clock(pick(t, steps, "salt")))
}

func TestFollowsTheForecast(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	steps := p.Steps(at(9, 50), risingTo(at(9, 45), at(13, 30)))
	bulk := pick(t, steps, "bulk")
	assert.Equal(t, Started, bulk.State)
	assert.Equal(t, "13:30", clock(bulk))
	assert.Equal(t, "13:10", bulk.From.Format("15:04"))
	assert.Equal(t, "14:10", bulk.Until.Format("15:04"))
	assert.Equal(t, "13:30", clock(pick(t, steps, "divide")), "the rest hangs on the mark")
	assert.Equal(t, "14:00", clock(pick(t, steps, "shape")))

	steps = p.Steps(at(13, 31), risingTo(at(9, 45), at(13, 30)))
	assert.Equal(t, DueNow, pick(t, steps, "bulk").State)
	require.NoError(t, p.Done("bulk", at(13, 35), "Ada"))
	steps = p.Steps(at(13, 36), risingTo(at(9, 45), at(13, 30)))
	assert.Equal(t, DueNow, pick(t, steps, "divide").State)
	for _, id := range []string{"fold-1", "fold-4"} {
		assert.Equal(t, Skipped, pick(t, steps, id).State, "nobody goes back to fold")
	}
	proof := pick(t, steps, "proof")
	assert.Contains(t, words(proof.Why...), "nothing watches", "the bulk's forecast says nothing about the proof")
	assert.True(t, proof.At.After(at(15, 0)))
}

func TestLateFoldsAreDropped(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	// Folds fall at 10:15, 10:48, 11:21, 11:54; the mark comes at 12:20.
	steps := p.Steps(at(10, 0), risingTo(at(9, 45), at(12, 20)))
	assert.Equal(t, Waiting, pick(t, steps, "fold-3").State)
	last := pick(t, steps, "fold-4")
	assert.Equal(t, Skipped, last.State)
	assert.Equal(t, "forecast", last.By)
	assert.Contains(t, words(last.Why...), "the target is expected about 12:20")
	assert.Zero(t, last.Finished, "before its time the forecast may bring it back")
	p.record(at(10, 0), risingTo(at(9, 45), at(12, 20)))
	assert.Equal(t, Waiting, pick(t, p.Steps(at(10, 1), risingTo(at(9, 45), at(14, 0))), "fold-4").State)

	for _, id := range []string{"fold-1", "fold-2", "fold-3"} {
		require.NoError(t, p.Done(id, at(11, 30), "Ada"))
	}
	p.record(at(12, 10), risingTo(at(9, 45), at(12, 20)))
	steps = p.Steps(at(12, 11), risingTo(at(9, 45), at(16, 0)))
	assert.Equal(t, Skipped, pick(t, steps, "fold-4").State, "what was recorded stays")
}

func TestFoldDroppedWhenFarAlong(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	e := risingTo(at(9, 45), at(15, 0))
	e.RisePercent = 65
	f := pick(t, p.Steps(at(10, 20), e), "fold-1")
	assert.Equal(t, Skipped, f.State)
	assert.Contains(t, words(f.Why...), "65 % of its way")
	e.RisePercent = 30
	e.Fan = []estimator.FanPoint{{Time: at(10, 30), P50Percent: 40}, {Time: at(11, 0), P50Percent: 62}}
	steps := p.Steps(at(10, 0), e)
	assert.Equal(t, Waiting, pick(t, steps, "fold-1").State)
	assert.Equal(t, Skipped, pick(t, steps, "fold-3").State)
	e.Phase = estimator.Over
	assert.Contains(t, words(pick(t, p.Steps(at(10, 20), e), "fold-1").Why...), "near its target or beyond")
}

// The oven follows the forecast of the final proof, not the clock, and asks
// first.
func TestPreheatFollowsTheProof(t *testing.T) {
	p := tubbed(t, 24)
	require.NoError(t, p.Done("shape", at(14, 0), "Ada"))
	early := p.Steps(at(14, 10), risingTo(at(14, 0), at(16, 0)))
	late := p.Steps(at(14, 10), risingTo(at(14, 0), at(17, 0)))
	// Half way between 15:40 and 16:00, less 50 minutes.
	assert.Equal(t, "15:00", clock(pick(t, early, "preheat")))
	assert.Equal(t, "16:00", clock(pick(t, late, "preheat")))
	assert.Equal(t, "14:50", clock(pick(t, early, "oven-check")))
	assert.Equal(t, "16:00", clock(pick(t, early, "bake-covered")))

	due := p.Steps(at(15, 1), risingTo(at(14, 0), at(16, 0)))
	assert.Equal(t, DueNow, pick(t, due, "preheat").State)
	require.NoError(t, p.Done("oven-check", at(15, 2), "Ben"))
	assert.Empty(t, words(pick(t, p.Steps(at(15, 3), risingTo(at(14, 0), at(16, 0))), "preheat").Why...))

	// Forgotten until 15:40: the bake waits for the oven.
	require.NoError(t, p.Done("preheat", at(15, 40), "Ben"))
	hot := p.Steps(at(15, 41), risingTo(at(14, 0), at(16, 0)))
	assert.Equal(t, "16:30", clock(pick(t, hot, "bake-covered")))
	require.NoError(t, p.Done("proof", at(16, 0), "Ben"))
	assert.Equal(t, Waiting, pick(t, p.Steps(at(16, 10), unseen()), "bake-covered").State)
	assert.Equal(t, DueNow, pick(t, p.Steps(at(16, 31), unseen()), "bake-covered").State)
}

// An oven whose heating was begun and is over is hot.
func TestAnOvenThatWasHeatedIsHot(t *testing.T) {
	p := tubbed(t, 24)
	require.NoError(t, p.Done("shape", at(14, 0), "Ada"))
	require.NoError(t, p.tell("preheat", Mark{State: Started, At: at(15, 0), By: "Ben"}))
	require.NoError(t, p.Done("preheat", at(15, 50), "Ben"))
	assert.Equal(t, "16:00", clock(pick(t, p.Steps(at(15, 51), risingTo(at(14, 0), at(16, 0))), "bake-covered")))
}

func TestCoolingAndSlicing(t *testing.T) {
	p := tubbed(t, 24)
	require.NoError(t, p.Done("bake-covered", at(17, 0), "Ada"))
	require.NoError(t, p.Done(OutID, at(17, 25), "Ada"))
	steps := p.Steps(at(17, 30), unseen())
	assert.Equal(t, Started, pick(t, steps, "cool").State)
	slice := pick(t, steps, "slice")
	assert.Equal(t, []string{"18:42", "19:06", "19:36"}, []string{slice.From.Format("15:04"), clock(slice), slice.Until.Format("15:04")})
	assert.Equal(t, Skipped, pick(t, steps, "preheat").State)
	p.Track.CoolBy = estimator.Window{From: at(18, 40), Median: at(18, 45), Until: at(18, 50)}
	assert.Equal(t, "18:45", clock(pick(t, p.Steps(at(17, 30), unseen()), "slice")))
	assert.Equal(t, DueNow, pick(t, p.Steps(at(18, 46), unseen()), "slice").State)
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

// A bulk that ends early, seen or not, leaves out the folds that would come
// after it: nobody folds a shaped loaf.
func TestNoFoldComesAfterTheBulk(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 29).Retarded()
	i := slices.IndexFunc(p.Defs, func(d StepDef) bool { return d.ID == BulkID })
	p.Defs[i].Usual = Spread{LowMin: 90, MidMin: 120, HighMin: 150}
	steps := p.Steps(at(8, 0), unseen())
	bulk := pick(t, steps, BulkID)
	for _, id := range []string{"fold-1", "fold-2", "fold-3", "fold-4"} {
		if f := pick(t, steps, id); f.State != Skipped {
			assert.True(t, f.At.Add(45*time.Minute).Before(bulk.At), "%s at %s, bulk ends %s", id, clock(f), clock(bulk))
		}
	}
	assert.Equal(t, Skipped, pick(t, steps, "fold-4").State)
	assert.Equal(t, Waiting, pick(t, p.Steps(at(8, 0), unseen()), RetardID).State)
}

func TestRecordMarksMixedBySensor(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	p.record(at(9, 30), risingTo(at(9, 12), at(14, 0)))
	assert.Equal(t, Mark{State: Done, At: at(9, 12), By: "sensor", Why: Said{Key: "why.began"}}, p.Marks["mix"])
}

func TestRecordEndsTheBulkWithTheRise(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	e := risingTo(at(9, 12), at(14, 0))
	e.Phase, e.PhaseSince = estimator.Ended, at(13, 50)
	p.record(at(13, 51), e)
	assert.Equal(t, Done, p.Marks["bulk"].State)
	assert.Equal(t, at(13, 50), p.Marks["bulk"].At)
	assert.Equal(t, Skipped, p.Marks["fold-2"].State, "nobody knows of folds that were not ticked off")
	assert.Equal(t, DueNow, pick(t, p.Steps(at(13, 52), e), "divide").State)
}

// The rise began at 9:00, the mixing was ticked off at 10:00: still one rise.
func TestMixTickedOffLate(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	require.NoError(t, p.Done("mix", at(10, 0), "Ada"))
	assert.Equal(t, "13:30", clock(pick(t, p.Steps(at(10, 1), risingTo(at(9, 0), at(13, 30))), "bulk")))
	old := risingTo(at(7, 0), at(13, 30))
	assert.Contains(t, words(pick(t, p.Steps(at(10, 1), old), "bulk").Why...), "nothing watches", "a rise of an earlier dough")
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

// The state goes through JSON unchanged: a restart loses nothing.
func TestProcessJSON(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	require.NoError(t, p.tell("fold-1", Mark{State: Skipped, At: at(10, 0), By: "Ben", Why: Said{Key: "why.left_out"}}))
	raw, err := json.Marshal(p)
	require.NoError(t, err)
	var q Process
	require.NoError(t, json.Unmarshal(raw, &q))
	assert.Equal(t, p, q)
	assert.Equal(t, p.Steps(at(11, 0), unseen()), q.Steps(at(11, 0), unseen()))
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

// At its end no rise is told to be waited for: what is due is the next thing to do.
func TestAtTheMarkNothingSaysToWaitForIt(t *testing.T) {
	there := func(change func(*estimator.Estimate)) estimator.Estimate {
		e := risingTo(at(9, 10), at(13, 0))
		change(&e)
		return e
	}
	for name, est := range map[string]estimator.Estimate{
		"at the mark": there(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast = estimator.Ready, true }),
		"past it":     there(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast = estimator.Over, true }),
		"at the mark after a restart, without a forecast": there(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Ready = estimator.Ready, at(13, 0), estimator.Window{}
		}),
		"no rise left short of the mark": there(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Exhausted, e.Ready = estimator.Over, at(13, 0), true, estimator.Window{}
		}),
		"fallen short of the mark": there(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.Ready = estimator.Fallen, at(13, 0), estimator.Window{}
		}),
	} {
		p := NewProcess(DefaultBatch(), start(), 24)
		require.NoError(t, p.Done("fold-4", at(12, 0), "page"))
		bulk := pick(t, p.Steps(at(13, 5), est), BulkID)
		assert.Equal(t, DueNow, bulk.State, name)
		assert.Equal(t, "Turn the dough out, divide it and round the pieces.", words(bulk.Do), name)
		assert.Contains(t, words(bulk.Caution...), "Raw flour", name)
	}
	p := tubbed(t, 24)
	require.NoError(t, p.Done(ShapeID, at(14, 0), "page"))
	proof := pick(t, p.Steps(at(14, 30), unseen()), ProofID)
	assert.Equal(t, Started, proof.State)
	assert.Contains(t, words(proof.Do), "grown by about half")
	proof = pick(t, p.Steps(at(16, 30), unseen()), ProofID)
	assert.Equal(t, DueNow, proof.State)
	assert.NotContains(t, words(proof.Do), "until")
	assert.Contains(t, words(proof.Do), "the loaf goes into the oven")
}
