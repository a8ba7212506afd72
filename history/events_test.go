package history

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// TestTheJournal keeps events as they were said, undone and put right.
func TestTheJournal(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	start := bake.Event{At: t0, Told: t0.Add(time.Second), Kind: "start", By: "page"}
	rise := must(s.BeginRise(ctx, bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}, &start))
	assert.Equal(t, rise, start.RiseID)
	assert.Equal(t, "tub", start.Vessel)
	fold := bake.Event{RiseID: rise, Vessel: "tub", At: t0.Add(time.Hour), Told: t0.Add(time.Hour), Kind: "fold", By: "token phone", Detail: bake.Detail{Note: "one"}}
	fold.ID = must(s.AddEvent(ctx, fold))
	cleaned := bake.Event{Vessel: "tub", At: t0.Add(-time.Hour), Told: t0, Kind: "note"}
	cleaned.ID = must(s.AddEvent(ctx, cleaned))

	got := must(s.Events(ctx, rise))
	assert.Equal(t, []bake.Event{start, fold}, got)
	got = must(s.VesselEvents(ctx, "tub", time.Time{}, t0.Add(time.Minute)))
	assert.Equal(t, []bake.Event{cleaned, start}, got)

	fold.UndoneAt, start.At = t0.Add(2*time.Hour), t0.Add(90*time.Minute)
	require.NoError(t, s.UpdateEvents(ctx, fold, start))
	got = must(s.Events(ctx, rise))
	assert.Equal(t, []bake.Event{fold, start}, got, "in order of time")
	one := must(s.Event(ctx, fold.ID))
	assert.Equal(t, fold, one)
	_, err := s.Event(ctx, 99)
	require.ErrorIs(t, err, ErrNotFound)
	for _, e := range []bake.Event{{At: t0}, {Kind: "fold"}} {
		_, err := s.AddEvent(ctx, e)
		require.Error(t, err)
	}
	require.ErrorContains(t, s.UpdateEvents(ctx, bake.Event{Kind: "fold", At: t0}), "needs its id")
	require.NoError(t, s.DeleteRise(ctx, rise))
	got = must(s.VesselEvents(ctx, "tub", time.Time{}, time.Time{}))
	assert.Equal(t, []bake.Event{cleaned}, got)
}
