package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// bread moves the ready time of the scene's plan.
func bread(by time.Duration) func(*Input) {
	planned := noon().Add(8 * time.Hour)
	return func(in *Input) {
		at := planned.Add(by)
		in.Plan = &bake.PlanState{Wanted: planned.Add(40 * time.Minute), Planned: estimator.Window{Median: planned},
			Ready: estimator.Window{From: at.Add(-20 * time.Minute), Median: at, Until: at.Add(40 * time.Minute)}}
	}
}

// TestPlanMovedIsToldOnceAndAgainWhenItMovesOn lets the bread slip, slip more and
// come back.
func TestPlanMovedIsToldOnceAndAgainWhenItMovesOn(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(20*time.Minute, time.Minute, bread(20*time.Minute))
	assert.Empty(t, s.said, "twenty minutes are not worth a word")
	s.run(30*time.Minute, time.Minute, bread(35*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(42*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(70*time.Minute))
	s.run(30*time.Minute, time.Minute, bread(0))
	s.run(20*time.Minute, time.Minute, bread(-45*time.Minute))
	assert.Equal(t, []string{
		"12:31 raised plan_moved later",
		"13:31 updated plan_moved later",
		"13:56 resolved plan_moved later",
		"14:31 raised plan_moved sooner",
	}, s.said)
	assert.Equal(t, "tub: bread later, about 20:35", s.saidA[0].Title)
	assert.Equal(t, "By the plan the bread of tub was to be ready about 20:00 (wanted by 20:40). As it goes now it is about 20:35, between 20:15 and 21:15. "+
		"All steps have moved with it: see the timetable. It is still in time.", s.saidA[0].Text)
	assert.Contains(t, s.saidA[1].Text, "If that is too late, stand the dough warmer")
	assert.Equal(t, "tub: bread sooner, about 19:15", s.saidA[3].Title)
}

// TestPlanMovedOutlivesTheRise goes on after the bulk has ended and ends with
// the plan.
func TestPlanMovedOutlivesTheRise(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.run(20*time.Minute, time.Minute, bread(time.Hour))
	require.Len(t, s.said, 1)
	s.set(func(e *estimator.Estimate) { e.Phase = estimator.Ended })
	s.run(20*time.Minute, time.Minute, bread(time.Hour))
	assert.Len(t, s.said, 1)
	s.run(20*time.Minute, time.Minute, func(in *Input) { in.Plan = nil })
	assert.Equal(t, "12:46 resolved plan_moved later", s.said[1])
}
