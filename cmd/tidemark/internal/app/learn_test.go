package app

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator/forecast"
	"tidemark/history"
)

// lessons counts what past rises of the tub have taught.
func (b *bench) lessons() int {
	b.app.work.Wait() // a finished rise teaches beside the watch
	all, err := b.store.Settings().List(b.t.Context(), LearnedPrefix+"tub/")
	require.NoError(b.t, err)
	return len(all)
}

// finished is a bench on which an event has just ended a rise of six hours, and what
// was believed of a rise before.
func finished(t *testing.T, by bake.EventKind) (b *bench, published forecast.Prior) {
	b = newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published = b.prior()
	require.Zero(t, b.lessons(), "a rise under way teaches nothing")
	b.do(bake.Event{Kind: by})
	b.run(6*time.Hour + time.Minute)
	require.Equal(t, 1, b.lessons())
	require.NotEqual(t, published, b.prior())
	return b, published
}

// TestTheEndTakenBackIsForgotten ends a rise by its end, and by starting anew by mistake.
func TestTheEndTakenBackIsForgotten(t *testing.T) {
	t.Parallel()
	for _, by := range []bake.EventKind{bake.EventEnd, bake.EventStart} {
		b, published := finished(t, by)
		b.undo(0, 0)
		assert.Zero(t, b.lessons(), by)
		assert.Equal(t, published, b.prior(), by)
	}
}

// TestLessonsOutliveARestart reads them at the next start. A rise that taught nothing
// yet, as an import leaves it, teaches then.
func TestLessonsOutliveARestart(t *testing.T) {
	t.Parallel()
	b, published := finished(t, bake.EventEnd)
	b = b.again()
	require.NotEqual(t, published, b.prior())
	page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
	require.NoError(t, err)
	require.NoError(t, b.store.Settings().Delete(t.Context(), learnKey("tub", page.Rises[0].ID)))
	b = b.again()
	assert.Equal(t, 1, b.lessons())
	assert.NotEqual(t, published, b.prior())
}

// TestWhatWasLearnedIsForgottenOnWish and stays forgotten at the next start.
func TestWhatWasLearnedIsForgottenOnWish(t *testing.T) {
	t.Parallel()
	b, published := finished(t, bake.EventEnd)
	taught, err := b.app.Taught(t.Context())
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"tub": 1}, taught)
	require.NoError(t, b.app.Unlearn(t.Context(), "tub"))
	refusedWith(t, b.app.Unlearn(t.Context(), "bath"), "No vessel")
	for range 2 {
		assert.Zero(t, b.lessons())
		assert.Equal(t, published, b.prior())
		b = b.again()
	}
}

// TestAShortRiseTeachesNothing ends one before there is anything to fit.
func TestAShortRiseTeachesNothing(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(10 * time.Minute)
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(11 * time.Minute)
	assert.Zero(t, b.lessons())
}

// prior is what the vessel believes of its next rise beforehand.
func (b *bench) prior() forecast.Prior {
	return *b.app.learned(b.t.Context(), b.app.vessels["tub"]).Prior
}
