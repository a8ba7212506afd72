package bake

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
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

// proofInput is what is known of a proof at a moment.
type proofInput struct {
	StartC, AirC   float64
	Basket, Sample *estimator.Estimate
}

// takeIn follows a proof at a moment.
func (in proofInput) takeIn(p *Process, now time.Time) {
	p.followProof(now, in.StartC, in.AirC, Around{Basket: in.Basket, Sample: in.Sample})
}

// unwatched is a proof that nothing sees, in a room of c.
func unwatched(startC, c float64) proofInput { return proofInput{StartC: startC, AirC: c} }

// follow feeds a proof every ten minutes up to a moment.
func follow(p *Process, until time.Time, in func(now time.Time) proofInput) {
	for now := at(14, 0); !now.After(until); now = now.Add(10 * time.Minute) {
		in(now).takeIn(p, now)
	}
}

// TestProof follows proofs that began at 14:00 with bread that takes 60 to 160 minutes at
// 24 C: by the sensor over the basket, else by the sample jar, which cools and warms
// before the loaf does, else by equivalent time, which is wider; a jar too vague tells
// nothing until that has passed, and a rise of the bulk is none of the proof's. The oven
// follows the proof, whatever watches it.
func TestProof(t *testing.T) {
	vague, blind := watching(at(14, 0), at(17, 0), 24), watching(at(14, 0), time.Time{}, 24)
	vague.Ready.From, vague.Ready.Until, blind.Ready = at(15, 0), at(21, 0), estimator.Window{}
	for _, c := range []struct {
		name  string
		in    proofInput
		until time.Time
		loafC float64
		want  string
	}{
		{"nothing watches", unwatched(24, 24), at(14, 30), 24, "proofing since 14:00 to 15:40 15:00-16:40: time By the usual time at this temperature: no sensor watches the proof. Oven on at 14:30."},
		{"a cool room", unwatched(24, 19), at(14, 30), 22.8, "proofing since 14:00 to 16:28 15:22-18:08: time By the usual time at this temperature: no sensor watches the proof. Oven on at 15:18."},
		{"over the basket", proofInput{StartC: 24, AirC: 24, Basket: watching(at(14, 0), at(15, 40), 24)}, at(14, 30), 24, "proofing since 14:00 to 15:40 15:20-16:20: basket By the sensor over the basket. Oven on at 14:40."},
		{"a jar that cools first", proofInput{StartC: 26, AirC: 20, Sample: watching(at(13, 55), at(16, 0), 20)}, at(15, 0), 23.3, "proofing since 14:00 to 15:28 15:05-16:12: sample By the sample jar, which is 21 min (at 24 °C) behind the loaf. Oven on at 15:00."},
		{"the loaf has had its time, the jar not", proofInput{StartC: 26, AirC: 20, Sample: watching(at(13, 55), at(16, 0), 20)}, at(17, 0), 21, "proofed since 15:14 to 15:14 14:51-15:54: sample By the sample jar, which is 40 min (at 24 °C) behind the loaf. Oven on at 17:00."},
		{"a jar that warms first", proofInput{StartC: 20, AirC: 27, Sample: watching(at(14, 0), at(15, 30), 27)}, at(15, 0), 23.2, "proofing since 14:00 to 15:47 15:25-16:29: sample By the sample jar, which is 20 min (at 24 °C) ahead of the loaf. Oven on at 15:00."},
		{"a rise of the bulk", proofInput{StartC: 24, AirC: 24, Sample: watching(at(9, 45), at(14, 30), 24)}, at(14, 20), 24, "proofing since 14:00 to 15:40 15:00-16:40: time By the usual time at this temperature: no sensor watches the proof. Oven on at 14:30."},
		{"a jar without a forecast", proofInput{StartC: 24, AirC: 24, Sample: blind}, at(14, 30), 24, "proofing since 14:00 to 15:40 15:00-16:40: time By the usual time at this temperature: the sample jar cannot tell it closer yet. Oven on at 14:30."},
		{"a vague jar", proofInput{StartC: 24, AirC: 24, Sample: vague}, at(14, 20), 24, "proofing since 14:00 to 15:40 15:00-16:40: time By the usual time at this temperature: the sample jar cannot tell it closer yet. Oven on at 14:30."},
		{"the same, late", proofInput{StartC: 24, AirC: 24, Sample: vague}, at(15, 50), 24, "proofing since 14:00 to 17:00 15:00-21:00: sample By the sample jar. Oven on at 15:50."},
	} {
		p := shaped(t)
		follow(&p, c.until, func(time.Time) proofInput { return c.in })
		assert.InDelta(t, c.loafC, p.Track.Loaf.C, 0.2, "%s: a piece of dough follows the room slowly", c.name)
		steps := p.Steps(c.until, unseen())
		assert.Equal(t, c.want, bread(p.after(c.until, steps))+" Oven on at "+clock(pick(t, steps, PreheatID))+".", c.name)
	}
}

// bread says where a bake stands after its bulk.
func bread(a *After) string {
	if a == nil {
		return ""
	}
	out := fmt.Sprintf("%s since %s", a.Stage, a.Since.Format("15:04"))
	if !a.Until.IsZero() {
		out += fmt.Sprintf(" to %s %s-%s", a.Until.Median.Format("15:04"), a.Until.From.Format("15:04"), a.Until.Until.Format("15:04"))
	}
	if !math.IsNaN(a.CoreC) {
		out += fmt.Sprintf(" at %.0f", a.CoreC)
	}
	return out + ": " + string(a.Basis) + " " + words(a.Why...)
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
// 12 minutes; out at 16:45, it nears the room of 22 C by a constant share an hour.
func inventedCore(now time.Time) float64 {
	out := at(16, 45)
	baked := func(t time.Time) float64 { return 98 - 74*math.Exp(-t.Sub(at(16, 0)).Minutes()/12) }
	if now.Before(out) {
		return baked(now)
	}
	return 22 + (baked(out)-22)*math.Exp(-now.Sub(out).Hours())
}

func loaded(t *testing.T) Process {
	t.Helper()
	p := shaped(t)
	require.NoError(t, p.Done(BakeID, at(16, 0), "Ada"))
	return p
}

// TestLoaf follows loaves from the oven to the slice. The done range is checked against
// its source: lean crusty bread 93 to 98 C (200 to 208 F), rich 85 to 91 C, A. Cohn,
// bread-bakers list, 2008; the cooling against the law itself (97 C falls to 35 C in a
// room of 22 C within ln(75/13) hours), and 35 C against bakeinfo.co.nz, Cooling. A probe
// that was pulled is no loaf that cools, a core is not done under the lid, nor ten minutes
// after it, nor by one hot reading, a probe that is wrong or silent burns no loaf, and a
// loaf rich in rye rests whatever the probe says.
func TestLoaf(t *testing.T) {
	held := func(c float64) func(time.Time) float64 { return func(time.Time) float64 { return c } }
	pulled := func(now time.Time) float64 {
		if now.Before(at(16, 40)) {
			return inventedCore(now)
		}
		return 22 + 73*math.Exp(-now.Sub(at(16, 40)).Minutes()/2)
	}
	silent := func(now time.Time) float64 {
		if now.After(at(16, 44)) {
			return math.NaN()
		}
		return 80
	}
	odd := func(now time.Time) float64 {
		if c, there := map[time.Time]float64{at(16, 8): -40, at(16, 9): 400, at(16, 10): 99}[now]; there {
			return c
		}
		return 60
	}
	rye, rich := DefaultBatch(), DefaultBatch()
	rye.Flours = []Flour{{Name: "whole rye", Grams: 900, Whole: true}}
	rich.Inclusions = []Inclusion{{Name: "butter", Grams: 120}, {Name: "sugar", Grams: 60}}
	lid, out := Event{Kind: EventDone, At: at(16, 21), Detail: Detail{StepID: UncoverID}}, Event{Kind: EventDone, At: at(16, 45), Detail: Detail{StepID: OutID}}
	for _, c := range []struct {
		name  string
		batch Batch
		core  func(time.Time) float64
		told  []Event
		until time.Time
		want  []string
	}{
		{"baking", DefaultBatch(), inventedCore, nil, at(16, 30), []string{"baking since 16:00 to 16:50 16:50-16:50 at 92:  By the clock.", "out waiting 16:50, The core is not in the done range yet: 92 °C of 93 °C."}},
		{"done, and nobody ticked off the lid", DefaultBatch(), inventedCore, nil, at(16, 40), []string{"done since 16:33 to 16:33 16:33-16:33 at 95:  By the probe in the loaf.", "out due 16:33, The core is hot enough: done from 93 °C, best at 96 °C to 98 °C. Due since 16:33; the rest moves with it."}},
		{"hot under its lid", DefaultBatch(), held(95), nil, at(16, 24), []string{"baking since 16:00 to 16:44 16:44-16:44 at 95:  By the clock."}},
		{"uncovered for nine minutes", DefaultBatch(), held(96), []Event{lid}, at(16, 30), []string{"baking since 16:00 to 16:40 16:40-16:40 at 96:  By the clock."}},
		{"for ten", DefaultBatch(), held(96), []Event{lid}, at(16, 31), []string{"done since 16:31 to 16:31 16:31-16:31 at 96:  By the probe in the loaf."}},
		{"one hot reading", rich, odd, nil, at(16, 15), []string{"baking since 16:00 to 16:32 16:32-16:32 at 60:  By the clock."}},
		{"the fall tells that it is out", DefaultBatch(), inventedCore, nil, at(17, 30), []string{"cooling since 16:45 to 18:29 18:16-18:42 at 57:  By the probe in the loaf.", "out done 16:45, probe", "slice waiting 18:29 18:16-18:42"}},
		{"cool", DefaultBatch(), inventedCore, nil, at(18, 40), []string{"sliceable since 18:29 to 18:29 18:29-18:29 at 33:  By the probe in the loaf.", "slice due 18:29, Due since 18:29; the rest moves with it."}},
		{"sliced", DefaultBatch(), inventedCore, []Event{{Kind: EventDone, At: at(18, 41), Detail: Detail{StepID: SliceID}}}, at(18, 42), []string{"", "slice done 18:41"}},
		{"not done by the clock", DefaultBatch(), held(80), []Event{lid}, at(16, 44), []string{"baking since 16:00 to 16:49 16:49-16:49 at 80:  By the clock.", "out waiting 16:49, The core is not in the done range yet: 80 °C of 93 °C."}},
		{"nor long after", DefaultBatch(), held(80), []Event{lid}, at(17, 19), []string{"baking since 16:00 to 16:40 16:40-16:40 at 80:  By the clock.", "out due 16:40, By the clock: the core is not in the done range even now. Due since 16:40; the rest moves with it."}},
		{"a probe that went silent", DefaultBatch(), silent, []Event{lid}, at(16, 55), []string{"baking since 16:00 to 16:40 16:40-16:40:  By the clock.", "out due 16:40, Due since 16:40; the rest moves with it."}},
		{"pulled", DefaultBatch(), pulled, nil, at(17, 10), []string{"done since 16:33 to 16:33 16:33-16:33 at 22:  By the probe in the loaf.", "out due 16:33, The core is hot enough: done from 93 °C, best at 96 °C to 98 °C. Due since 16:33; the rest moves with it."}},
		{"pulled, and out", DefaultBatch(), pulled, []Event{out}, at(17, 11), []string{"cooling since 16:45 to 18:26 18:02-18:56 at 22:  By its weight and common practice: the probe in the loaf does not tell it yet.", "out done 16:45", "slice waiting 18:26 18:02-18:56"}},
		{"without a probe", DefaultBatch(), held(math.NaN()), []Event{out}, at(16, 50), []string{"cooling since 16:45 to 18:26 18:02-18:56:  By its weight and common practice: no probe is in the loaf.", "slice waiting 18:26 18:02-18:56"}},
		{"rye", rye, inventedCore, nil, at(18, 30), []string{"cooling since 16:45 to 16:45 04:45-04:45 at 35:  A loaf rich in rye rests for a day or more, longer than it cools.", "out done 16:45, probe", "slice waiting 16:45 04:45-04:45"}},
		{"rich, with no lid to wait for", rich, inventedCore, nil, at(16, 30), []string{"done since 16:25 to 16:25 16:25-16:25 at 92:  By the probe in the loaf.", "out due 16:25, The core is hot enough: done from 88 °C, best at 88 °C to 91 °C. Due since 16:25; the rest moves with it."}},
	} {
		p := NewProcess(c.batch, start(), 24)
		for _, did := range []struct {
			id string
			at time.Time
		}{{saltID, at(9, 45)}, {ShapeID, at(14, 0)}, {BakeID, at(16, 0)}} {
			require.NoError(t, p.Done(did.id, did.at, "Ada"))
		}
		for now := at(16, 0); !now.After(c.until); now = now.Add(30 * time.Second) {
			for _, e := range c.told {
				if e.At.Equal(now) {
					require.NoError(t, p.markFor(e))
				}
			}
			p.followCore(now, c.core(now), 22, 0)
		}
		steps := p.Steps(c.until, unseen())
		assert.Equal(t, c.want[0], bread(p.after(c.until, steps)), c.name)
		for _, want := range c.want[1:] {
			id, _, _ := strings.Cut(want, " ")
			assert.Equal(t, want, line(pick(t, steps, id)), c.name)
		}
	}
}

func TestTrackGoesThroughJSONAndMoves(t *testing.T) {
	p := loaded(t)
	for now := at(16, 0); now.Before(at(17, 20)); now = now.Add(time.Minute) {
		p.followCore(now, inventedCore(now), 22, 0)
	}
	p.Track.Loaf = piece{At: at(14, 0), C: 24}
	body, err := json.Marshal(p)
	require.NoError(t, err)
	var back Process
	require.NoError(t, json.Unmarshal(body, &back))
	assert.Equal(t, p, back, "a restart loses nothing")
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
		room := rapid.Float64Range(2, 95).Draw(r, "room")
		for range rapid.IntRange(1, 60).Draw(r, "readings") {
			now = now.Add(time.Minute)
			p.followCore(now, rapid.Float64Range(-20, 150).Draw(r, "core"), room, 0)
			if w := p.Track.CoolBy; w.Median.Before(w.From) || w.Until.Before(w.Median) {
				r.Fatalf("window not ordered: %v", w)
			}
		}
	})
}

// held is a piece of dough that stood so warm since 14:00.
func held(c float64) piece {
	var p piece
	p.follow(at(14, 0), at(14, 30), c)
	return p
}

// Speed at the published temperatures relative to 24 C: midway between 0.6161
// (Ganzle 1998) and 0.743536 (cardinal model with 4, 32.3, 45.4 C) at 20 C.
func TestEquivalentHoursOfAPiece(t *testing.T) {
	assert.InDelta(t, 3, held(24).had(at(17, 0)), 1e-9)
	assert.InDelta(t, 3*(0.6161+0.7435)/2, held(20).had(at(17, 0)), 0.001)
	var ramp piece
	for m := 0; m <= 120; m += 5 {
		ramp.follow(at(14, 0), at(14, m), 20+8*float64(m)/120)
	}
	ramp.follow(at(14, 0), at(17, 0), math.NaN())
	assert.Equal(t, at(16, 0), ramp.At)
	assert.InDelta(t, 2, ramp.Hours, 0.2, "up and down about 24 C nearly cancel")
	// What a loaf at 20 C lacks after an hour beside a jar at 24 C.
	jar := estimator.Window{From: at(15, 0), Median: at(15, 20), Until: at(15, 50)}
	w, _ := (&Track{Jar: held(24), Loaf: held(20)}).loafReady(at(15, 0), jar, 24)
	assert.InDelta(t, 60*(1-(0.6161+0.7435)/2), w.Median.Sub(jar.Median).Minutes(), 0.5)
}
