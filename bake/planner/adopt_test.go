package planner_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
)

func unseen() estimator.Estimate {
	return estimator.Estimate{Phase: estimator.Idle, AirC: math.NaN(), DoughC: math.NaN(), RisePercent: math.NaN()}
}

// An adopted plan begins with the feed, and its steps fall where the timetable
// has them.
func TestAdoptedFollowsTheTimetable(t *testing.T) {
	plans, err := planner.Make(request())
	require.NoError(t, err)
	p := find(t, plans, "overnight")
	pr := p.Process
	assert.Equal(t, "feed", pr.Defs[0].ID)
	assert.Equal(t, step(t, p, "feed").At, pr.Started)
	assert.NotEmpty(t, pr.Defs[0].Warn, "raw flour")
	laid := planner.Plan{Steps: pr.Steps(now().Add(-time.Minute), unseen())}
	for _, id := range []string{"feed", bake.MixID, bake.BulkID, bake.RetardID, bake.BakeID} {
		assert.WithinDuration(t, step(t, p, id).At, step(t, laid, id).At, time.Minute, id)
	}
	assert.Equal(t, bake.Waiting, step(t, laid, "feed").State)
}

// A late feed moves the mixing with it.
func TestAdoptedSlipsFromTheFeedOn(t *testing.T) {
	plans, err := planner.Make(request())
	require.NoError(t, err)
	p := find(t, plans, "overnight")
	pr := p.Process
	late := pr.Started.Add(time.Hour)
	require.NoError(t, pr.Done("feed", late, "test"))
	laid := planner.Plan{Steps: pr.Steps(late, unseen())}
	assert.WithinDuration(t, step(t, p, bake.MixID).At.Add(55*time.Minute), step(t, laid, bake.MixID).At, 6*time.Minute)
}

// Two doughs in one evening share the oven: the second is not baked while the first has
// it, and is refused when there is no other time.
func TestOneOvenForTwoDoughs(t *testing.T) {
	plans, err := planner.Make(request())
	require.NoError(t, err)
	first := plans[0]
	taken, ok := planner.OvenSpan(first.Steps)
	require.True(t, ok)
	assert.Equal(t, step(t, first, bake.PreheatID).At, taken.From)
	assert.Equal(t, step(t, first, bake.OutID).At, taken.Until)
	w := request()
	w.OvenTaken = []bake.Span{taken}
	if plans, err = planner.Make(w); err == nil {
		for _, p := range plans {
			if mine, ok := planner.OvenSpan(p.Steps); ok {
				assert.False(t, mine.From.Before(taken.Until) && mine.Until.After(taken.From), "%s: %v in %v", p.Way, mine, taken)
			}
		}
	}
	require.NoError(t, err)
	w.OvenTaken = []bake.Span{{From: now(), Until: now().AddDate(0, 0, 9)}}
	plans, err = planner.Make(w)
	require.NoError(t, err)
	assert.Empty(t, plans[0].Steps)
	assert.Contains(t, words(plans[0].Why...), "the oven")
	_, ok = planner.OvenSpan(nil)
	assert.False(t, ok)
}
