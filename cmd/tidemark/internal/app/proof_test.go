package app

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/sensor"
)

// proofConfig is a tub and its sample jar.
const proofConfig = benchConfig + `  - name: cup
    holds: dough
    sample_of: tub
    target_percent: 50
    floor_mm: 120
    profile: {shape: straight, diameter_mm: 60, height_mm: 100}
`

// shapedAt is when the invented household has shaped.
const shapedAt = 100 * time.Minute

// proofBench is an invented household that has just shaped: a short bulk at
// 24.5 C, then a room of 20 C.
type proofBench struct {
	*bench
	cup bool // the sample jar is filled
}

func newProofBench(t *testing.T) *proofBench {
	t.Helper()
	b := &proofBench{bench: newBenchOf(t, proofConfig, Options{})}
	b.bulk()
	return b
}

// bulk runs the invented dough up to the shaped loaf.
func (b *proofBench) bulk() {
	b.every = 30 * time.Second
	b.run(time.Minute)
	b.do(bake.EventStart)
	b.run(90 * time.Minute)
	b.do(bake.EventEnd)
	b.on(shapedAt)
	b.do(bake.EventDone, bake.Detail{StepID: bake.ShapeID})
}

// proofed is the invented rise in the sample jar, percent.
func proofed(since time.Duration) float64 {
	return 110 / (1 + math.Exp((1.7-since.Hours())*2.2)) // half way after 1.7 h
}

// on lets time pass after the bulk.
func (b *proofBench) on(until time.Duration) {
	b.pass(b.start.Add(until), func(at time.Time) estimator.Sample {
		if since := at.Sub(b.start.Add(shapedAt)); b.cup {
			b.app.Observe("cup", estimator.Sample{Time: at, DistanceMM: 120 - 40*(1+proofed(since)/100) + 0.2*math.Sin(float64(at.Unix())), DoughC: 20 + 5*math.Exp(-since.Hours()/0.5), AirC: 20})
		}
		return estimator.Sample{DistanceMM: nan(), DoughC: nan(), AirC: 20}
	})
}

// told finds what was told about a step, or of a kind about a vessel.
func (b *proofBench) told(what, vessel string) (alert.Alarm, bool) {
	for _, a := range b.raised {
		if a.Vessel == vessel && (string(a.Kind) == what || a.Kind == alert.StepDue && a.Reason == what) {
			return a, true
		}
	}
	return alert.Alarm{}, false
}

// mustTell is told, or a failed test.
func (b *proofBench) mustTell(what, vessel string) alert.Alarm {
	b.t.Helper()
	a, ok := b.told(what, vessel)
	require.True(b.t, ok, "nothing told of %s of %s among %v", what, vessel, b.raised)
	return a
}

func TestSampleJarTimesTheProofAndTheOven(t *testing.T) {
	t.Parallel()
	b := newProofBench(t)
	b.cup = true
	b.on(shapedAt + 75*time.Minute)
	after := b.vessel().After
	require.NotNil(t, after)
	assert.Equal(t, bake.SampleBasis, after.Basis)
	assert.Contains(t, b.app.words.Tell(after.Why...), "behind the loaf", "the small jar is at 20 C by now, the loaf is not")
	jar := b.app.State("cup").Estimate.Ready
	require.False(t, jar.IsZero())
	assert.True(t, after.Until.Median.Before(jar.Median), "loaf %s, jar %s", after.Until.Median, jar.Median)
	cup := b.app.Snapshot().Vessels[1]
	assert.Equal(t, "tub", cup.ProofOf)

	b.on(shapedAt + 3*time.Hour)
	proof, preheat := b.mustTell(bake.ProofID, "tub"), b.mustTell(bake.PreheatID, "tub")
	assert.Contains(t, proof.Text, "That is by the sample jar, corrected for its temperature.")
	ahead := proof.FiredAt.Sub(preheat.FiredAt)
	assert.InDelta(t, 45, ahead.Minutes(), 25, "the oven is lit about 50 minutes before the proof is over, as far as that was foreseen")
	check := b.mustTell(bake.OvenCheckID, "tub")
	assert.True(t, check.FiredAt.Before(preheat.FiredAt), "first somebody looks into it")
	reached := b.mustTell(string(alert.Reached), "cup")
	assert.Contains(t, reached.Text, "It stands for the loaf of tub, which by its own temperature is ready about")
	_, over := b.told(string(alert.Over), "cup")
	assert.False(t, over, "a sample jar past its mark is no dough past its mark")
}

// core is the invented core of a loaf loaded some time ago and taken out after 46
// minutes, Celsius.
func core(since time.Duration) float64 {
	out := 46 * time.Minute
	baked := func(d time.Duration) float64 { return 98 - 72*math.Exp(-d.Minutes()/12) }
	if since < out {
		return baked(since)
	}
	return 20 + (baked(out)-20)*math.Exp(-1.1*(since-out).Hours())
}

// bakeOn lets time pass with the probe in the loaf.
func (b *proofBench) bakeOn(loaded, until time.Duration) {
	for d := b.clock.Now().Sub(b.start); d < until; d += b.every {
		b.app.Core("tub", b.clock.Now(), sensor.Reading{Quantity: sensor.Temperature, Status: sensor.OK, Value: core(d - loaded), Wall: b.clock.Now()})
		b.on(d + b.every)
	}
}

// TestLoafProbeTellsDoneOutAndSlice follows the core from the oven to the knife, over a
// restart while the loaf cools.
func TestLoafProbeTellsDoneOutAndSlice(t *testing.T) {
	t.Parallel()
	b := newProofBench(t)
	loaded := shapedAt + 100*time.Minute
	b.on(loaded)
	b.do(bake.EventDone, bake.Detail{StepID: bake.BakeID})
	b.bakeOn(loaded, loaded+25*time.Minute)
	after := b.vessel().After
	require.NotNil(t, after)
	assert.Equal(t, bake.Baking, after.Stage)
	assert.InDelta(t, core(25*time.Minute), after.CoreC, 1.5)
	assert.Contains(t, b.app.words.Tell(after.Caution...), "dry gloves")
	sensors := b.vessel().Sensors
	assert.Equal(t, "loaf", sensors[len(sensors)-1].Sensor)

	b.bakeOn(loaded, loaded+80*time.Minute)
	out := b.mustTell(bake.OutID, "tub")
	done := time.Duration(12 * math.Log(72.0/5) * float64(time.Minute)) // when the core passes 93 C
	assert.InDelta(t, (loaded + done).Minutes(), out.FiredAt.Sub(b.start).Minutes(), 2.5)
	for _, want := range []string{"Take the bread out", "such a loaf is done from 93\u00a0°C, best at 96\u00a0°C to 98\u00a0°C", "dry gloves"} {
		assert.Contains(t, out.Text, want)
	}

	b = &proofBench{bench: b.again()}
	b.bakeOn(loaded, loaded+90*time.Minute)
	after = b.vessel().After
	require.NotNil(t, after)
	assert.Equal(t, bake.Cooling, after.Stage, "its fall says that the loaf is out")
	assert.False(t, after.DoneAt.IsZero())
	assert.Equal(t, bake.Sentences{{Key: "why.probe"}}, after.Why)
	cool := 46 + 60*math.Log((core(46*time.Minute)-20)/15)/1.1
	assert.InDelta(t, loaded.Minutes()+cool, after.Until.Median.Sub(b.start).Minutes(), 3)

	b.bakeOn(loaded, loaded+time.Duration(cool+10)*time.Minute)
	slice := b.mustTell(bake.SliceID, "tub")
	assert.InDelta(t, loaded.Minutes()+cool, slice.FiredAt.Sub(b.start).Minutes(), 4)
	assert.Contains(t, slice.Text, "The core is at 35\u00a0°C")
	assert.Equal(t, bake.Sliceable, b.vessel().After.Stage)
	_, twice := b.told(bake.OutID, "tub")
	assert.False(t, twice, "told before the restart, not again")
	b.do(bake.EventDone, bake.Detail{StepID: bake.SliceID})
	b.on(loaded + time.Duration(cool+11)*time.Minute)
	assert.Nil(t, b.vessel().After)
}
