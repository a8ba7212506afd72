package bake

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
)

// shaped is the default bread, shaped at 14:00.
func shaped(t *testing.T) Process {
	t.Helper()
	p := tubbed(t, 24)
	require.NoError(t, p.Done(ShapeID, at(14, 0), "Ada"))
	return p
}

// watching is a rise that began at a time and is forecast for another.
func watching(began, ready time.Time, doughC float64) *estimator.Estimate {
	e := risingTo(began, ready)
	e.DoughC = doughC
	return &e
}

// unwatched is a proof that nothing sees, in a room of c.
// proofInput is what is known of a proof at a moment.
type proofInput struct {
	StartC, AirC   float64
	Basket, Sample *estimator.Estimate
}

// takeIn follows a proof at a moment.
func (in proofInput) takeIn(p *Process, now time.Time) {
	p.followProof(now, in.StartC, in.AirC, Around{Basket: in.Basket, Sample: in.Sample})
}

func unwatched(startC, c float64) proofInput { return proofInput{StartC: startC, AirC: c} }

// follow feeds a proof every ten minutes up to a moment.
func follow(p *Process, until time.Time, in func(now time.Time) proofInput) {
	for now := at(14, 0); !now.After(until); now = now.Add(10 * time.Minute) {
		in(now).takeIn(p, now)
	}
}

func width(w estimator.Window) time.Duration { return w.Until.Sub(w.From) }

func TestProofWithoutASensorIsByEquivalentTimeAndWider(t *testing.T) {
	blind, seen := shaped(t), shaped(t)
	follow(&blind, at(14, 30), func(time.Time) proofInput { return unwatched(24, 24) })
	// 60 to 160 minutes at 24 C, begun at 14:00.
	assert.Equal(t, TimeBasis, blind.Track.ProofBasis)
	assert.WithinDuration(t, at(15, 40), blind.Track.ProofBy.Median, time.Minute)
	assert.Contains(t, words(blind.Track.ProofWhy), "no sensor watches the proof")
	follow(&seen, at(14, 30), func(time.Time) proofInput {
		return proofInput{StartC: 24, AirC: 24, Basket: watching(at(14, 0), at(15, 40), 24)}
	})
	assert.Equal(t, BasketBasis, seen.Track.ProofBasis)
	assert.Greater(t, width(blind.Track.ProofBy), width(seen.Track.ProofBy))

	cold := shaped(t)
	follow(&cold, at(14, 30), func(time.Time) proofInput { return unwatched(24, 19) })
	assert.True(t, cold.Track.ProofBy.Median.After(blind.Track.ProofBy.Median.Add(30*time.Minute)), "a cool room takes longer")
	assert.Less(t, cold.Track.Loaf.C, 24.0)
	assert.Greater(t, cold.Track.Loaf.C, 22.0, "a piece of dough follows the room slowly")
}

// The jar cools faster than the loaf: the loaf is ahead of it, so that its
// proof is over before the jar is at its mark.
func TestSampleJarIsCorrectedByItsProbe(t *testing.T) {
	cool := shaped(t)
	follow(&cool, at(15, 0), func(time.Time) proofInput {
		return proofInput{StartC: 26, AirC: 20, Sample: watching(at(13, 55), at(16, 0), 20)}
	})
	assert.Equal(t, SampleBasis, cool.Track.ProofBasis)
	assert.Contains(t, words(cool.Track.ProofWhy), "behind the loaf")
	assert.True(t, cool.Track.ProofBy.Median.Before(at(15, 55)), "got %s", cool.Track.ProofBy.Median)

	warm := shaped(t)
	follow(&warm, at(15, 0), func(time.Time) proofInput {
		return proofInput{StartC: 20, AirC: 27, Sample: watching(at(14, 0), at(15, 30), 27)}
	})
	assert.Contains(t, words(warm.Track.ProofWhy), "ahead of the loaf")
	assert.True(t, warm.Track.ProofBy.Median.After(at(15, 35)))
}

func TestARiseOfTheBulkIsNotTheProofs(t *testing.T) {
	p := shaped(t)
	follow(&p, at(14, 20), func(time.Time) proofInput {
		return proofInput{StartC: 24, AirC: 24, Sample: watching(at(9, 45), at(14, 30), 24)}
	})
	assert.Equal(t, TimeBasis, p.Track.ProofBasis)
	blind := watching(at(14, 0), time.Time{}, 24)
	blind.Ready = estimator.Window{}
	follow(&p, at(14, 30), func(time.Time) proofInput {
		return proofInput{StartC: 24, AirC: 24, Sample: blind}
	})
	assert.Contains(t, words(p.Track.ProofWhy), "the sample jar cannot tell it closer yet")
}

// A jar that has hardly risen has a wide window: the usual time is closer. Once
// that has passed, the jar knows better however vague.
func TestAVagueJarDoesNotHideTheUsualTime(t *testing.T) {
	vague := watching(at(14, 0), at(17, 0), 24)
	vague.Ready.From, vague.Ready.Until = at(15, 0), at(21, 0)
	in := proofInput{StartC: 24, AirC: 24, Sample: vague}
	p := shaped(t)
	follow(&p, at(14, 20), func(time.Time) proofInput { return in })
	assert.Equal(t, TimeBasis, p.Track.ProofBasis)
	assert.Contains(t, words(p.Track.ProofWhy), "the sample jar cannot tell it closer yet")
	assert.WithinDuration(t, at(15, 40), p.Track.ProofBy.Median, time.Minute)
	follow(&p, at(15, 50), func(time.Time) proofInput { return in })
	assert.Equal(t, SampleBasis, p.Track.ProofBasis)
	assert.WithinDuration(t, at(17, 0), p.Track.ProofBy.Median, time.Minute)
}

// The oven follows the proof, whatever watches it.
func TestPreheatFollowsTheTrackedProof(t *testing.T) {
	p := shaped(t)
	for _, c := range []struct{ ready, preheat time.Time }{
		{at(16, 0), at(15, 0)}, // half way between 15:40 and 16:00, less 50 minutes
		{at(17, 0), at(16, 0)},
	} {
		proofInput{StartC: 24, AirC: 24, Basket: watching(at(14, 0), c.ready, 24)}.takeIn(&p, at(14, 20))
		steps := p.Steps(at(14, 20), unseen())
		assert.Equal(t, c.ready, pick(t, steps, ProofID).At)
		assert.Equal(t, c.preheat, pick(t, steps, PreheatID).At)
		assert.Contains(t, words(pick(t, steps, ProofID).Why...), "over the basket")
		a := p.after(at(14, 20), steps)
		require.NotNil(t, a)
		assert.Equal(t, Proofing, a.Stage)
		assert.Equal(t, c.ready, a.Until.Median)
	}
	late := p.Steps(at(17, 1), unseen())
	assert.Equal(t, DueNow, pick(t, late, ProofID).State)
	a := p.after(at(17, 1), late)
	assert.Equal(t, Proofed, a.Stage)
}

func TestNothingIsFollowedOutsideTheProof(t *testing.T) {
	p := NewProcess(DefaultBatch(), start(), 24)
	unwatched(24, 24).takeIn(&p, at(12, 0))
	assert.Equal(t, Track{}, p.Track)
	assert.Nil(t, p.after(at(12, 0), p.Steps(at(12, 0), unseen())))
	p.followCore(at(12, 0), 95, 22, 0)
	assert.Equal(t, Track{}, p.Track)
}

// An invented loaf: loaded at 16:00, its core nears 98 C with a time constant of
// 12 minutes; out at 16:45, it nears the room by a constant share an hour.
func inventedCore(now time.Time, perHour float64) float64 {
	out := at(16, 45)
	baked := func(t time.Time) float64 { return 98 - 74*math.Exp(-t.Sub(at(16, 0)).Minutes()/12) }
	if now.Before(out) {
		return baked(now)
	}
	return 22 + (baked(out)-22)*math.Exp(-perHour*now.Sub(out).Hours())
}

// bakeTo runs the invented loaf up to a moment and returns when a step was
// closed by the probe.
func bakeTo(p *Process, until time.Time, perHour float64) (closed time.Time) {
	for now := at(16, 0); !now.After(until); now = now.Add(30 * time.Second) {
		p.followCore(now, inventedCore(now, perHour), 22, 0)
		if closed.IsZero() && p.Marks[OutID].State == Done {
			closed = now
		}
	}
	return closed
}

func loaded(t *testing.T) Process {
	t.Helper()
	p := shaped(t)
	require.NoError(t, p.Done(BakeID, at(16, 0), "Ada"))
	return p
}

// The done range is checked against its source: lean crusty bread 93 to 98 C
// (200 to 208 F), A. Cohn, bread-bakers list, 2008; the cooling against the law
// itself, and 35 C against bakeinfo.co.nz, Cooling.
func TestTheProbeTellsDoneOutAndCool(t *testing.T) {
	p := loaded(t)
	bakeTo(&p, at(16, 30), 1)
	steps := p.Steps(at(16, 30), unseen())
	a := p.after(at(16, 30), steps)
	require.NotNil(t, a)
	assert.Equal(t, Baking, a.Stage)
	assert.InDelta(t, 91.9, a.CoreC, 0.1)
	assert.Equal(t, []float64{93, 98}, []float64{a.Done.LowC, a.Done.MostC})
	assert.Contains(t, words(a.Caution...), "dry gloves")

	bakeTo(&p, at(16, 40), 1)
	reaches := at(16, 0).Add(time.Duration(12 * math.Log(74.0/5) * float64(time.Minute)))
	assert.WithinDuration(t, reaches, p.Track.DoneAt, time.Minute)
	steps = p.Steps(at(16, 40), unseen())
	out := pick(t, steps, OutID)
	assert.Equal(t, DueNow, out.State, "also when nobody ticked off the lid")
	assert.Contains(t, words(out.Why...), "The core is hot enough")
	a = p.after(at(16, 40), steps)
	assert.Equal(t, LoafDone, a.Stage)

	require.False(t, bakeTo(&p, at(17, 30), 1).IsZero(), "the fall of the core closes the step")
	assert.Equal(t, Done, p.Marks[OutID].State)
	assert.Equal(t, "probe", p.Marks[OutID].By)
	assert.WithinDuration(t, at(16, 45), p.Marks[OutID].At, time.Minute)
	cool := at(16, 45).Add(time.Duration(math.Log((inventedCore(at(16, 45), 1)-22)/13) * float64(time.Hour)))
	assert.WithinDuration(t, cool, p.Track.CoolBy.Median, 2*time.Minute)
	a = p.after(at(17, 30), p.Steps(at(17, 30), unseen()))
	assert.Equal(t, Cooling, a.Stage)
	assert.Equal(t, "By the probe in the loaf.", words(a.Why...))
	assert.Equal(t, p.Track.CoolBy, a.Until)

	bakeTo(&p, cool.Add(10*time.Minute), 1)
	steps = p.Steps(cool.Add(10*time.Minute), unseen())
	assert.Equal(t, DueNow, pick(t, steps, SliceID).State)
	assert.WithinDuration(t, cool, p.Track.CoolBy.Median, 2*time.Minute)
	a = p.after(cool.Add(10*time.Minute), steps)
	assert.Equal(t, Sliceable, a.Stage)
	require.NoError(t, p.Done(SliceID, cool.Add(11*time.Minute), "Ada"))
	assert.Nil(t, p.after(cool.Add(12*time.Minute), p.Steps(cool.Add(12*time.Minute), unseen())))
}

func TestTheClockWaitsForACoreThatIsNotDone(t *testing.T) {
	p := loaded(t)
	require.NoError(t, p.Done(UncoverID, at(16, 21), "Ada"))
	assert.Equal(t, "16:40", clock(pick(t, p.Steps(at(16, 30), unseen()), OutID)))
	for now := at(16, 22); now.Before(at(16, 45)); now = now.Add(time.Minute) {
		p.followCore(now, 80, 22, 0)
	}
	out := pick(t, p.Steps(at(16, 44), unseen()), OutID)
	assert.Equal(t, Waiting, out.State)
	assert.Contains(t, words(out.Why...), "not in the done range yet: 80 °C of 93 °C")
	for now := at(16, 45); now.Before(at(17, 20)); now = now.Add(time.Minute) {
		p.followCore(now, 80, 22, 0)
	}
	out = pick(t, p.Steps(at(17, 19), unseen()), OutID)
	assert.Equal(t, DueNow, out.State, "a probe that is wrong does not burn the loaf")
	silent := pick(t, p.Steps(at(17, 40), unseen()), OutID)
	assert.Equal(t, DueNow, silent.State, "nor one that went silent")
}

func TestOneHotReadingIsNotDone(t *testing.T) {
	p := loaded(t)
	for i, c := range []float64{60, 99, 61, 62} {
		p.followCore(at(16, 10+i), c, 22, 0)
	}
	assert.Zero(t, p.Track.DoneAt)
	for i, c := range []float64{math.NaN(), -40, 400} {
		p.followCore(at(16, 20+i), c, 22, 0)
	}
	assert.Len(t, p.Track.Core, 4)
}

// Pulled from the loaf the probe is in the room's air within minutes: that is
// no loaf that cools.
func TestAPulledProbeIsNotACooledLoaf(t *testing.T) {
	p := loaded(t)
	for now := at(16, 0); now.Before(at(16, 40)); now = now.Add(time.Minute) {
		p.followCore(now, inventedCore(now, 1), 22, 0)
	}
	for now := at(16, 40); now.Before(at(17, 10)); now = now.Add(time.Minute) {
		p.followCore(now, 22+73*math.Exp(-now.Sub(at(16, 40)).Minutes()/2), 22, 0)
	}
	assert.NotEqual(t, Done, p.Marks[OutID].State)
	require.NoError(t, p.Done(OutID, at(17, 10), "Ada"))
	p.followCore(at(17, 11), 22, 22, 0)
	assert.Zero(t, p.Track.CoolBy)
	a := p.after(at(17, 11), p.Steps(at(17, 11), unseen()))
	assert.Contains(t, words(a.Why...), "the probe in the loaf does not tell it yet")
}

func TestWithoutAProbeCoolingIsByMassAndSaidSo(t *testing.T) {
	p := loaded(t)
	require.NoError(t, p.Done(OutID, at(16, 45), "Ada"))
	a := p.after(at(16, 50), p.Steps(at(16, 50), unseen()))
	require.NotNil(t, a)
	assert.False(t, a.Probe)
	assert.True(t, math.IsNaN(a.CoreC))
	assert.Contains(t, words(a.Why...), "no probe is in the loaf")
	low := DefaultBatch().Cooling()
	assert.WithinDuration(t, at(16, 45).Add(time.Duration(low.MidMin)*time.Minute), a.Until.Median, time.Minute)
}

func TestARyeLoafRestsWhateverTheProbeSays(t *testing.T) {
	p := loaded(t)
	p.Batch.Flours = []Flour{{Name: "whole rye", Grams: 900, Whole: true}}
	marks, track := p.Marks, p.Track
	p = NewProcess(p.Batch, p.Started, p.RoomC)
	p.Marks, p.Track = marks, track
	bakeTo(&p, at(18, 30), 1)
	assert.Zero(t, p.Track.CoolBy)
	a := p.after(at(18, 30), p.Steps(at(18, 30), unseen()))
	assert.True(t, a.Until.Median.After(at(23, 0)))
}

// Rich doughs are done at 85 to 91 C (185 to 195 F), A. Cohn, bread-bakers
// list, 2008.
func TestARichLoafIsDoneSooner(t *testing.T) {
	p := loaded(t)
	p.Batch.Inclusions = []Inclusion{{Name: "butter", Grams: 120}, {Name: "sugar", Grams: 60}}
	assert.Equal(t, Rich, p.Batch.Kind())
	bakeTo(&p, at(16, 30), 1)
	assert.Equal(t, 88.0, p.Track.Done.LowC)
	assert.False(t, p.Track.DoneAt.IsZero(), "it has no lid to wait for")
	p.Batch.Inclusions = []Inclusion{{Name: "olive oil", Grams: 20}}
	assert.Equal(t, Lean, p.Batch.Kind())
}

func TestTrackGoesThroughJSONAndMoves(t *testing.T) {
	p := loaded(t)
	bakeTo(&p, at(17, 20), 1)
	p.Track.Loaf = piece{At: at(14, 0), C: 24}
	body, err := json.Marshal(p)
	require.NoError(t, err)
	var back Process
	require.NoError(t, json.Unmarshal(body, &back))
	assert.Equal(t, p.Track, back.Track)
	moved := back.Track.moved(func(t *time.Time) { *t = t.Add(time.Hour) })
	assert.Equal(t, p.Track.DoneAt.Add(time.Hour), moved.DoneAt)
	assert.Equal(t, p.Track.Core[0].At.Add(time.Hour), moved.Core[0].At)
	assert.Equal(t, at(15, 0), moved.Loaf.At)
	assert.Equal(t, p.Track.Core[0].At, back.Track.Core[0].At, "the points of a copy are its own")
	assert.Less(t, len(body), 12000, "hours of a probe stay small")
}

// Whatever the readings, windows stay ordered.
func TestTrackHoldsForAnyReadings(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := NewProcess(DefaultBatch(), start(), 24)
		_ = p.Done("salt", at(9, 45), "Ada")
		_ = p.Done(ShapeID, at(14, 0), "Ada")
		now := at(14, 0)
		for range rapid.IntRange(1, 40).Draw(r, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(1, 1200).Draw(r, "s")) * time.Second)
			in := unwatched(rapid.Float64Range(5, 40).Draw(r, "start"), rapid.Float64Range(2, 40).Draw(r, "air"))
			if rapid.Bool().Draw(r, "jar") {
				in.Sample = watching(at(14, 0), now.Add(time.Duration(rapid.IntRange(-60, 300).Draw(r, "ready"))*time.Minute), rapid.Float64Range(2, 40).Draw(r, "jarC"))
			}
			in.takeIn(&p, now)
			w := p.Track.ProofBy
			if w.Median.Before(w.From) || w.Until.Before(w.Median) {
				r.Fatalf("window not ordered: %v", w)
			}
		}
		_ = p.Done(BakeID, now, "Ada")
		for range rapid.IntRange(1, 60).Draw(r, "readings") {
			now = now.Add(time.Minute)
			p.followCore(now, rapid.Float64Range(-20, 150).Draw(r, "core"), 22, 0)
			if w := p.Track.CoolBy; w.Median.Before(w.From) || w.Until.Before(w.Median) {
				r.Fatalf("window not ordered: %v", w)
			}
		}
	})
}
