package app

import (
	"cmp"
	"context"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/past"
)

// benchConfig describes one tub.
const benchConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`

// bench is an App on a stepped clock with a store, fed by hand.
type bench struct {
	t     *testing.T
	app   *App
	clock *Stepped
	store *history.Store
	start time.Time
	every time.Duration // between samples; 0 is 10 s
	slow  float64       // how much slower the dough is; 0 is 1
}

func newBench(t *testing.T) *bench {
	t.Helper()
	return newBenchOf(t, benchConfig)
}

func newBenchOf(t *testing.T, text string) *bench {
	t.Helper()
	cfg, err := config.Parse("bench.yaml", []byte(text), config.WithoutSensors)
	require.NoError(t, err)
	batch := bake.DefaultBatch()
	cfg.Vessels[0].Batch = &batch
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	b.clock.Set(b.start)
	b.store, err = history.Open(t.Context(), filepath.Join(t.TempDir(), "tidemark.db"), history.Options{Now: b.clock.Now})
	require.NoError(t, err)
	b.app, err = New(Options{Config: cfg, Clock: b.clock, Store: b.store})
	require.NoError(t, err)
	require.NoError(t, b.app.Start(t.Context()))
	t.Cleanup(func() {
		assert.NoError(t, b.app.Stop(context.Background())) // the test's own context has ended
		if err := b.store.Close(context.Background()); !errors.Is(err, history.ErrClosed) {
			assert.NoError(t, err)
		}
	})
	return b
}

// run feeds the invented rise up to a time after the start, every 10 s unless
// the bench says otherwise.
func (b *bench) run(until time.Duration) {
	every := cmp.Or(b.every, 10*time.Second)
	for now := b.clock.Now().Add(every); !now.After(b.start.Add(until)); now = now.Add(every) {
		b.clock.Set(now)
		noise := 0.4 * math.Sin(float64(now.Unix())) // stands for noise, the same every time
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: 240 - 60*(1+invented(time.Duration(float64(now.Sub(b.start))/cmp.Or(b.slow, 1)))/100) + noise, DoughC: 24.5, AirC: 23.5})
		b.app.Advance(now)
	}
}

// do tells what a person did.
func (b *bench) do(e bake.Event) {
	b.t.Helper()
	e.Vessel, e.By = "tub", "test"
	require.NoError(b.t, b.app.Do(b.t.Context(), e))
}

// undo takes an event back.
func (b *bench) undo(riseID, id int64) {
	b.t.Helper()
	require.NoError(b.t, b.app.Undo(b.t.Context(), "tub", riseID, id))
}

// refused tells what must be refused and returns why.
func (b *bench) refused(e bake.Event) string {
	b.t.Helper()
	e.Vessel, e.By = "tub", "test"
	return why(b.t, b.app.Do(b.t.Context(), e))
}

func (b *bench) vessel() web.Vessel { return b.app.Snapshot().Vessels[0] }

func stepOf(t *testing.T, b *bench, id string) bake.Step {
	t.Helper()
	for _, s := range b.vessel().Steps {
		if s.ID == id {
			return s
		}
	}
	require.Failf(t, "step missing", "%s", id)
	return bake.Step{}
}

// TestJudgingIsTakenBack: notes add up, a judgement takes the place of the former,
// and each can be taken back: of the rise under way, of one that ended and of a vessel
// that is gone.
func TestJudgingIsTakenBack(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ctx := t.Context()
	b.run(time.Hour)
	id := b.vessel().RiseID
	b.do(bake.Event{Kind: bake.EventNote, Detail: bake.Detail{Note: "by the stove"}})
	b.do(bake.Event{Kind: bake.EventNote, RiseID: id, Detail: bake.Detail{Note: "lid off"}})
	events := b.vessel().Events
	require.Len(t, events, 3, "the start, by itself, and two notes")
	assert.Equal(t, "by the stove", events[1].Note)
	note := func() string {
		r, err := b.store.Rise(ctx, id)
		require.NoError(t, err)
		return r.Note
	}
	assert.Equal(t, "by the stove\nlid off", note())
	b.undo(id, events[1].ID)
	assert.Equal(t, "lid off", note())
	b.undo(0, 0)
	assert.Empty(t, note())
	assert.Len(t, b.vessel().Events, 1)
	assert.Contains(t, b.refused(bake.Event{Kind: bake.EventNote, Detail: bake.Detail{Note: strings.Repeat("x", 4001)}}), "longer than 4000")

	b.do(bake.Event{Kind: bake.EventJudged, RiseID: id, Detail: bake.Detail{Outcome: "under", Note: "pale"}})
	b.do(bake.Event{Kind: bake.EventEnd})
	b.do(bake.Event{Kind: bake.EventJudged, RiseID: id, Detail: bake.Detail{Outcome: "right"}})
	acts, err := b.store.Events(ctx, id)
	require.NoError(t, err)
	last := acts[len(acts)-1]
	require.Equal(t, bake.EventJudged, last.Kind)
	b.undo(id, last.ID)
	r, err := b.store.Rise(ctx, id)
	require.NoError(t, err)
	assert.Equal(t, "under", r.Outcome)
	assert.Equal(t, "pale", r.Note)
	assert.False(t, r.UnderWay(), "taking a judgement back opens nothing again")
	refusedWith(t, b.app.Undo(ctx, "tub", id, last.ID), "taken back already")

	old := bake.Rise{Vessel: "crock", Holds: estimator.Dough, StartedAt: b.start.AddDate(-1, 0, 0)}
	old.ID, err = b.store.BeginRise(ctx, old, nil)
	require.NoError(t, err)
	require.NoError(t, b.app.Do(ctx, bake.Event{Kind: bake.EventJudged, Vessel: "crock", RiseID: old.ID, Detail: bake.Detail{Outcome: "over"}}))
	acts, err = b.store.Events(ctx, old.ID)
	require.NoError(t, err)
	require.NoError(t, b.app.Undo(ctx, "crock", old.ID, acts[0].ID))
	r, err = b.store.Rise(ctx, old.ID)
	require.NoError(t, err)
	assert.Empty(t, r.Outcome)
}

// TestTheBatchOfAStart: without a word a rise is of the vessel's own batch and
// follows its steps; another name, or none, means another dough.
func TestTheBatchOfAStart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Minute)
	start := func(name string) (bake.Rise, web.Vessel) {
		b.do(bake.Event{Kind: bake.EventStart, Detail: bake.Detail{Batch: name}})
		b.run(b.clock.Now().Sub(b.start) + time.Minute)
		r, err := b.store.Rise(t.Context(), b.vessel().RiseID)
		require.NoError(t, err)
		return r, b.vessel()
	}
	own := bake.DefaultBatch().Name
	r, v := start("")
	assert.Equal(t, own, past.BatchName(r))
	assert.NotEmpty(t, v.Steps)
	r, v = start(bake.NoBatch)
	assert.Nil(t, r.Batch)
	assert.Empty(t, v.Steps, "nobody said what is being baked")
	assert.Empty(t, v.Batch)
	r, v = start("neighbour's rye")
	assert.Equal(t, "neighbour's rye", past.BatchName(r))
	assert.Equal(t, "neighbour's rye", v.Batch)
	assert.Empty(t, v.Steps)
	r, v = start(own)
	assert.Equal(t, own, past.BatchName(r))
	assert.NotEmpty(t, v.Steps)
}

// TestARiseThatBeganByItselfIsTakenBack: on a fresh history the first valid height
// of a vessel that is not empty begins a rise. The page lists that as a start, and
// undo takes it back, before and after a restart.
func TestARiseThatBeganByItselfIsTakenBack(t *testing.T) {
	t.Parallel()
	for _, restarted := range []bool{false, true} {
		b := newBench(t)
		b.run(20 * time.Minute)
		if restarted {
			b = b.again()
			b.run(25 * time.Minute)
		}
		v := b.vessel()
		require.NotZero(t, v.RiseID)
		require.Len(t, v.Events, 1)
		assert.Equal(t, []any{v.Estimate.Started, bake.EventStart, bake.ByItself}, []any{v.Events[0].At, v.Events[0].Kind, v.Events[0].By})
		b.undo(0, 0)
		b.run(40 * time.Minute)
		assert.Zero(t, b.vessel().RiseID, "and none begins by itself again")
		page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
		require.NoError(t, err)
		assert.Empty(t, page.Rises)
		b.do(bake.Event{Kind: bake.EventStart})
		b.run(45 * time.Minute)
		assert.NotZero(t, b.vessel().RiseID)
		assert.Equal(t, "test", b.vessel().Events[0].By)
	}
}
