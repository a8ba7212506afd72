package app

import (
	"math"
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

// TestAFinishedRiseTeachesTheNext ends a rise: what is expected of the next one
// differs. Taking the end back forgets it.
func TestAFinishedRiseTeachesTheNext(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published := b.prior()
	assert.Zero(t, b.lessons(), "a rise under way teaches nothing")
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(6*time.Hour + time.Minute)
	assert.Equal(t, 1, b.lessons())
	taught := b.prior()
	assert.NotEqual(t, published, taught)
	b.undo(0, 0)
	assert.Zero(t, b.lessons())
	assert.Equal(t, published, b.prior(), "nothing of it is left in memory")
}

// TestARiseEndedByAStartIsForgottenWithIt starts anew by mistake.
func TestARiseEndedByAStartIsForgottenWithIt(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published := b.prior()
	b.do(bake.Event{Kind: bake.EventStart})
	b.run(6*time.Hour + time.Minute)
	assert.Equal(t, 1, b.lessons())
	b.undo(0, 0)
	assert.Zero(t, b.lessons())
	assert.Equal(t, published, b.prior())
}

// TestLessonsOutliveARestart reads them at the next start.
func TestLessonsOutliveARestart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(6*time.Hour + time.Minute)
	require.Equal(t, 1, b.lessons())
	again := b.again()
	assert.Equal(t, b.prior(), again.prior())
}

// TestARiseThatTaughtNothingYetTeachesAtTheStart has a rise as an import leaves it.
func TestARiseThatTaughtNothingYetTeachesAtTheStart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published := b.prior()
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(6*time.Hour + time.Minute)
	require.Equal(t, 1, b.lessons())
	page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
	require.NoError(t, err)
	require.NoError(t, b.store.Settings().Delete(t.Context(), learnKey("tub", page.Rises[0].ID)))
	again := b.again()
	assert.Equal(t, 1, again.lessons())
	assert.NotEqual(t, published, again.prior())
}

// TestWhatWasLearnedIsForgottenOnWish and stays forgotten at the next start.
func TestWhatWasLearnedIsForgottenOnWish(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published := b.prior()
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(6*time.Hour + time.Minute)
	require.Equal(t, 1, b.lessons())
	taught, err := b.app.Taught(t.Context())
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"tub": 1}, taught)
	require.NoError(t, b.app.Unlearn(t.Context(), "tub"))
	assert.Zero(t, b.lessons())
	assert.Equal(t, published, b.prior())
	again := b.again()
	assert.Zero(t, again.lessons())
	assert.Equal(t, published, again.prior())
	require.ErrorContains(t, b.app.Unlearn(t.Context(), "bath"), "no vessel")
}

// TestAShortRiseTeachesNothing ends one before there is anything to fit.
func TestAShortRiseTeachesNothing(t *testing.T) {
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

// TestThePlannedDoughAgainstTheProbe: what is learnt of the mixing, and when nothing is.
func TestThePlannedDoughAgainstTheProbe(t *testing.T) {
	planned := bake.NewProcess(bake.DefaultBatch(), time.Time{}, 22)
	planned.Reworded(bake.MixID, "mix.water", bake.Values{"dough_c": 24.0})
	unplanned := bake.NewProcess(bake.DefaultBatch(), time.Time{}, 22)
	at := func(after time.Duration, c float64) []forecast.Point { return []forecast.Point{{At: after, DoughC: c}} }
	require.NotNil(t, warmerThan(&planned, at(time.Minute, 25.5)))
	assert.InDelta(t, 1.5, *warmerThan(&planned, at(time.Minute, 25.5)), 1e-9)
	for what, got := range map[string]*float64{
		"no process": warmerThan(nil, at(0, 25)), "not planned": warmerThan(&unplanned, at(0, 25)), "no probe": warmerThan(&planned, at(0, math.NaN())),
		"seen too late": warmerThan(&planned, at(time.Hour, 25)), "no reading": warmerThan(&planned, nil),
	} {
		assert.Nil(t, got, what)
	}
}
