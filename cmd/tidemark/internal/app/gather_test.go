package app

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// startedBench is a bench with a rise that was started and has gone on until a time.
func startedBench(t *testing.T, until time.Duration) *bench {
	t.Helper()
	b := newBench(t)
	b.run(time.Minute)
	b.do(web.Act{Kind: web.ActStart})
	b.run(until)
	return b
}

// storedSteps are the steps of the rise as they are stored; nil when none are.
func storedSteps(t *testing.T, b *bench, rise int64) []byte {
	t.Helper()
	body, err := b.store.Process(t.Context(), rise)
	require.NoError(t, err)
	return body
}

// storedEvents counts the stored events of a rise.
func storedEvents(t *testing.T, b *bench, rise int64, e estimator.Event) (n int) {
	t.Helper()
	for row, err := range b.store.Rows(t.Context(), rise, time.Time{}, time.Time{}) {
		require.NoError(t, err)
		if row.Event == e {
			n++
		}
	}
	return n
}

// TestAnActIsStoredWholeOrNotAtAll looks at the history in the middle of an act, as a
// process that is killed there would leave it.
func TestAnActIsStoredWholeOrNotAtAll(t *testing.T) {
	for _, c := range []struct {
		kind  web.ActKind
		event estimator.Event
		step  string
	}{{web.ActFold, estimator.Fold, "fold-1"}, {web.ActShaped, estimator.NoEvent, bake.ShapeID}} {
		t.Run(string(c.kind), func(t *testing.T) {
			b := startedBench(t, 50*time.Minute)
			rise := b.vessel().RiseID
			steps := storedSteps(t, b, rise)
			kept, err := b.store.Rise(t.Context(), rise)
			require.NoError(t, err)

			p, act := b.app.pipes["tub"], web.Act{Kind: c.kind, Vessel: "tub", At: b.clock.Now(), By: "test"}
			p.mu.Lock()
			defer p.mu.Unlock()
			require.NoError(t, p.gathering(act.Kind, func(g *gatherer) error {
				require.NoError(t, p.perform(act, act.At))
				p.estimateNow(act.At)
				assert.Equal(t, steps, storedSteps(t, b, rise), "steps")
				if c.event != estimator.NoEvent {
					assert.Zero(t, storedEvents(t, b, rise, c.event), "event")
				}
				now, err := b.store.Rise(t.Context(), rise)
				require.NoError(t, err)
				assert.Equal(t, kept, now, "state")

				assert.NotZero(t, g.keep(t.Context(), history.Act{RiseID: rise, At: act.At, Kind: string(act.Kind), By: act.By}))
				return nil
			}))
			assert.NotEqual(t, steps, storedSteps(t, b, rise), "steps")
			if c.event != estimator.NoEvent {
				assert.Equal(t, 1, storedEvents(t, b, rise, c.event), "event")
			}
			now, err := b.store.Rise(t.Context(), rise)
			require.NoError(t, err)
			assert.Equal(t, c.kind != web.ActShaped, now.UnderWay())
			acts, err := b.store.Acts(t.Context(), rise)
			require.NoError(t, err)
			assert.Equal(t, string(c.kind), acts[len(acts)-1].Kind)
		})
	}
}

// TestAnActIsDoneThoughWhoeverAskedIsGone acts for a phone that dropped its connection.
func TestAnActIsDoneThoughWhoeverAskedIsGone(t *testing.T) {
	b := startedBench(t, 40*time.Minute)
	gone, leave := context.WithCancel(t.Context())
	leave()
	require.NoError(t, b.app.Act(gone, web.Act{Kind: web.ActFold, Vessel: "tub", By: "test"}))
	acts, err := b.store.Acts(t.Context(), b.vessel().RiseID)
	require.NoError(t, err)
	require.Len(t, acts, 2)
	assert.Equal(t, "fold", acts[1].Kind)
	b.do(web.Act{Kind: web.ActUndo})
	b.run(41 * time.Minute)
	assert.NotEqual(t, bake.Done, stepOf(t, b, "fold-1").State)
}

// TestAnActIsDoneThoughTheHistoryTakesNothing is seen on the page, and once.
func TestAnActIsDoneThoughTheHistoryTakesNothing(t *testing.T) {
	b := startedBench(t, 40*time.Minute)
	require.NoError(t, b.store.Close(t.Context()))
	b.do(web.Act{Kind: web.ActFold})
	b.run(41 * time.Minute)
	assert.Equal(t, bake.Done, stepOf(t, b, "fold-1").State)
	deeds := b.vessel().Deeds
	require.Len(t, deeds, 2)
	assert.Equal(t, web.ActFold, deeds[1].Kind)
}

// TestAStepAfterTheRiseIsKept has no rise to store an act with: what was held back
// is stored all the same.
func TestAStepAfterTheRiseIsKept(t *testing.T) {
	b := startedBench(t, 3*time.Hour)
	rise := b.vessel().RiseID
	b.do(web.Act{Kind: web.ActShaped})
	b.run(3*time.Hour + time.Minute)
	before := storedSteps(t, b, rise)
	b.do(web.Act{Kind: web.ActBaked})
	assert.NotEqual(t, before, storedSteps(t, b, rise))
	next := b.again()
	next.run(3*time.Hour + 2*time.Minute)
	assert.Equal(t, bake.Done, stepOf(t, next, bakedStep).State)
}

// TestTakingAnActBackIsStoredWholeOrNotAtAll looks at the history in the middle of it.
func TestTakingAnActBackIsStoredWholeOrNotAtAll(t *testing.T) {
	b := startedBench(t, 3*time.Hour)
	rise := b.vessel().RiseID
	b.do(web.Act{Kind: web.ActShaped})
	steps := storedSteps(t, b, rise)
	stored := func() (history.Rise, history.Act) {
		r, err := b.store.Rise(t.Context(), rise)
		require.NoError(t, err)
		acts, err := b.store.Acts(t.Context(), rise)
		require.NoError(t, err)
		return r, acts[len(acts)-1]
	}
	r, act := stored()
	require.False(t, r.UnderWay())

	p := b.app.pipes["tub"]
	p.mu.Lock()
	act.Undone = true
	require.NoError(t, p.gathering(web.ActUndo, func(g *gatherer) error {
		require.NoError(t, b.app.revert(t.Context(), p, g, act, b.clock.Now()))
		assert.Equal(t, rise, p.rise.ID, "it goes on")
		r, act := stored()
		assert.False(t, r.UnderWay())
		assert.False(t, act.Undone)
		assert.Equal(t, steps, storedSteps(t, b, rise))
		g.keep(t.Context(), act)
		return nil
	}))
	p.mu.Unlock()
	r, _ = stored()
	assert.True(t, r.UnderWay())
	assert.NotEqual(t, steps, storedSteps(t, b, rise))
}

// TestAMistakenStartThatIsHalfTakenBack is a process killed between the two halves: the
// rise before goes on, the mistaken one is closed.
func TestAMistakenStartThatIsHalfTakenBack(t *testing.T) {
	b := startedBench(t, time.Hour)
	first := b.vessel().RiseID
	b.do(web.Act{Kind: web.ActStart})
	b.run(time.Hour + time.Minute)
	second := b.vessel().RiseID
	require.NotEqual(t, first, second)
	acts, err := b.store.Acts(t.Context(), second)
	require.NoError(t, err)
	p := b.app.pipes["tub"]
	p.mu.Lock()
	again, err := b.app.reopenFormer(t.Context(), p, acts[0])
	p.mu.Unlock()
	require.NoError(t, err)
	assert.Equal(t, first, again.ID)
	assert.True(t, again.UnderWay())
	next := b.again()
	next.run(time.Hour + 2*time.Minute)
	assert.Equal(t, first, next.vessel().RiseID)
	r, err := b.store.Rise(t.Context(), second)
	require.NoError(t, err)
	assert.False(t, r.UnderWay())
}

// TestARiseThatBeginsInAnActKeepsWhatCameBefore, which was about another rise.
func TestARiseThatBeginsInAnActKeepsWhatCameBefore(t *testing.T) {
	b := startedBench(t, 10*time.Minute)
	rise := b.vessel().RiseID
	before := storedSteps(t, b, rise)
	p := b.app.pipes["tub"]
	p.mu.Lock()
	defer p.mu.Unlock()
	require.NoError(t, p.gathering(web.ActStepDone, func(g *gatherer) error {
		require.NoError(t, p.process.Done("fold-1", b.clock.Now(), "test"))
		g.process(rise, *p.process)
		assert.Equal(t, before, storedSteps(t, b, rise))
		next := p.rise
		next.ID, next.StartedAt = 0, b.clock.Now()
		assert.Greater(t, g.begin(next), rise)
		assert.Empty(t, g.deed)
		return nil
	}))
	assert.NotEqual(t, before, storedSteps(t, b, rise))
}

// TestAnActIsTakenBackOnce though the page still lists what another process took back.
func TestAnActIsTakenBackOnce(t *testing.T) {
	b := startedBench(t, 40*time.Minute)
	b.do(web.Act{Kind: web.ActFold})
	deeds := b.vessel().Deeds
	_, err := b.store.UndoAct(t.Context(), deeds[len(deeds)-1].ID)
	require.NoError(t, err)
	assert.Contains(t, b.refused(web.Act{Kind: web.ActUndo}), "taken back already")
}
