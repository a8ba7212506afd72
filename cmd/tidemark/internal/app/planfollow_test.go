package app

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web"
)

const (
	sameDay   = "same_day"
	overnight = "overnight"
)

// breadAt is a wish of the bench: a ripe starter, a room of 24 C.
func (b *bench) breadAt(ready time.Duration, way string) *web.PlanRequest {
	return &web.PlanRequest{Now: b.clock.Now(), ReadyAt: b.start.Add(ready), AirC: 24, RipeUntil: b.start.Add(30 * time.Hour), Way: way}
}

// chosen is the plan of a wish.
func (b *bench) chosen(w *web.PlanRequest) *bake.Chosen {
	b.t.Helper()
	c, err := b.app.Choose(b.t.Context(), *w)
	require.NoError(b.t, err)
	return c
}

// follow takes a plan on.
func (b *bench) follow(ready time.Duration, way string) {
	b.t.Helper()
	b.do(bake.EventPlan, bake.Detail{Plan: b.chosen(b.breadAt(ready, way))})
}

// idle lets time go by with nothing in the tub.
func (b *bench) idle(until time.Time) {
	b.pass(until, func(time.Time) estimator.Sample {
		return estimator.Sample{DistanceMM: 240, DoughC: 23.5, AirC: 23.5}
	})
}

// due runs an idle bench until a step is due and returns that moment.
func (b *bench) due(id string) time.Time {
	b.t.Helper()
	for range 3 * 24 * 60 {
		if s := stepOf(b.t, b, id); s.State == bake.DueNow {
			return b.clock.Now()
		}
		b.idle(b.clock.Now().Add(time.Minute))
	}
	require.Failf(b.t, "never due", "%s", id)
	return time.Time{}
}

// saltID is the last step before the tub.
const saltID = "salt"

// intoTheTub does the steps up to the dough in the tub, each when it is due.
func (b *bench) intoTheTub() time.Time {
	b.t.Helper()
	b.due(bake.MixID)
	b.do(bake.EventDone, bake.Detail{StepID: bake.MixID})
	b.due(saltID)
	b.do(bake.EventDone, bake.Detail{StepID: saltID})
	return b.clock.Now()
}

// bulkEnd is the rise at which the bulk of the process ends.
func (b *bench) bulkEnd() float64 {
	for _, d := range b.app.State("tub").Process.Defs {
		if d.ID == bake.BulkID {
			return d.RisePercent
		}
	}
	return 0
}

// TestTheRealRiseMovesThePlan lets the dough be slower than any plan thinks: the
// bulk ends elsewhere, the steps slip and the household is told.
func TestTheRealRiseMovesThePlan(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = time.Minute
	b.follow(26*time.Hour, overnight)
	planned := stepOf(t, b, bake.RetardID).At
	end := b.bulkEnd()
	since := b.intoTheTub()
	b.rising(since, since.Add(4*time.Hour), 1.6)
	v := b.vessel()
	require.NotEmpty(t, v.Plan.Said, "the live rise was asked")
	assert.Contains(t, b.app.words.Tell(v.Plan.Said), "The bulk now ends at")
	assert.NotEqual(t, end, b.bulkEnd())
	assert.Equal(t, b.bulkEnd(), v.Estimate.TargetPercent, "the mark follows")
	assert.Equal(t, b.bulkEnd(), b.riseOf(v.RiseID).TargetPercent)
	assert.NotEqual(t, planned, stepOf(t, b, bake.RetardID).At, "the steps slip")
	b.do(bake.EventTarget, bake.Detail{TargetPercent: 90})
	b.rising(since, since.Add(4*time.Hour+20*time.Minute), 1.6)
	assert.Equal(t, 90.0, b.vessel().Estimate.TargetPercent, "a mark chosen by hand stands")
	assert.Equal(t, 90.0, b.bulkEnd())
}

// TestAPlanTakesThePlaceOfABakeUnderWay and gives it back when it is undone.
func TestAPlanTakesThePlaceOfABakeUnderWay(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = time.Minute
	b.follow(26*time.Hour, overnight)
	since := b.intoTheTub()
	b.rising(since, since.Add(2*time.Hour), 1)
	refusedWith(t, b.tell(bake.EventPlan, bake.Detail{Plan: b.chosen(b.breadAt(40*time.Hour, overnight))}), "A rise is under way in tub")
	b.do(bake.EventShaped)
	b.idle(b.clock.Now().Add(time.Minute))
	b.follow(50*time.Hour, overnight)
	assert.NotEqual(t, bake.Done, stepOf(t, b, bake.ShapeID).State)
	b.undo(0, 0)
	b.idle(b.clock.Now().Add(time.Minute))
	assert.Equal(t, bake.Done, stepOf(t, b, bake.ShapeID).State)
	require.NotNil(t, b.vessel().Plan)
	assert.Equal(t, b.start.Add(26*time.Hour), b.vessel().Plan.Wanted)
}

// TestAPlanNobodyBeganIsForgotten a day after its bread was wanted.
func TestAPlanNobodyBeganIsForgotten(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = time.Minute
	b.follow(15*time.Hour, sameDay)
	b.clock.Set(b.start.Add(39*time.Hour + time.Minute))
	b.app.Advance(b.clock.Now())
	assert.Nil(t, b.vessel().Plan)
	assert.Nil(t, b.again().vessel().Plan)
}
