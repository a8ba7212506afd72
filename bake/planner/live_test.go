package planner_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/bake/heat"
	"tidemark/bake/planner"
	"tidemark/estimator"
)

func unseen() estimator.Estimate {
	return estimator.Estimate{Phase: estimator.Idle, AirC: math.NaN(), DoughC: math.NaN(), RisePercent: math.NaN()}
}

// straight is a rise of 24 % an hour at 24 C, seen at 10:00 with 20 %.
func straight() estimator.Estimate {
	e := unseen()
	e.Time, e.Started, e.Phase = now().Add(2*time.Hour), now(), estimator.Rising
	e.DoughC, e.AirC, e.RisePercent, e.TargetPercent = 24, 24, 20, 100
	for h := 0.0; h <= 10; h += 0.25 {
		mid := 20 + 24*h
		e.Fan = append(e.Fan, estimator.FanPoint{Time: e.Time.Add(time.Duration(h * float64(time.Hour))), P10Percent: mid - 3*h, P50Percent: mid, P90Percent: mid + 3*h})
	}
	return e
}

func loaf() heat.Fridge { return heat.Fridge{AirC: 4, PieceKg: 0.75} }

// On a straight rise the sum can be done by hand: what the cold is worth times
// 24 % an hour is left out before the target.
func TestMoveToFridge(t *testing.T) {
	e := straight()
	m, err := planner.MoveToFridge(e, loaf(), 100, 40*time.Minute)
	require.NoError(t, err)
	worth := loaf().Carry(24, 16, bake.Speed)
	assert.InDelta(t, worth, m.CarryHours, 1e-9)
	assert.InDelta(t, 100-24*worth, m.AtPercent, 0.1)
	assert.InDelta(t, 100, m.LandsAt, 0.1)
	assert.Equal(t, m.At.Median.Add(-40*time.Minute), m.ShapeFrom)
	assert.True(t, m.At.From.Before(m.At.Median) && m.At.Median.Before(m.At.Until))
	assert.False(t, m.Now)

	heavy := heat.Fridge{AirC: 4, PieceKg: 2}
	h, err := planner.MoveToFridge(e, heavy, 100, 40*time.Minute)
	require.NoError(t, err)
	assert.True(t, h.At.Median.Before(m.At.Median), "a heavy piece stays warm longer and goes in sooner")

	late, err := planner.MoveToFridge(e, loaf(), 60, 40*time.Minute)
	require.NoError(t, err)
	assert.True(t, late.Now)
	assert.Equal(t, e.Time, late.At.Median)
	assert.Greater(t, late.LandsAt, 60.0, "it says what it will come to")
}

func TestMoveToFridgeRefuses(t *testing.T) {
	e := straight()
	_, err := planner.MoveToFridge(e, heat.Fridge{AirC: 30, PieceKg: 1}, 100, 0)
	assert.ErrorContains(t, err, "the refrigerator must be")
	e.CeilingPercent = 80
	_, err = planner.MoveToFridge(e, loaf(), 500, 0)
	assert.EqualError(t, err, "the forecast does not reach 500 %: it levels off near 80 %")
	e.DoughC, e.AirC = math.NaN(), math.NaN()
	_, err = planner.MoveToFridge(e, loaf(), 100, 0)
	assert.ErrorContains(t, err, "no dough or air temperature")
	_, err = planner.MoveToFridge(unseen(), loaf(), 100, 0)
	assert.ErrorContains(t, err, "wait until the rise has one")
}

func TestStaysOut(t *testing.T) {
	e := straight()
	o, err := planner.StaysOut(e, e.Time.Add(3*time.Hour), 100, nil)
	require.NoError(t, err)
	assert.InDelta(t, 92, o.P50, 1e-9)
	assert.InDelta(t, 83, o.P10, 1e-9)
	assert.Contains(t, words(o.Said()), "Left out until 13:00 it will have risen by 92 %, between 83 % and 101 %: about right")
	long, err := planner.StaysOut(e, e.Time.Add(6*time.Hour), 100, nil)
	require.NoError(t, err)
	assert.Greater(t, long.Over, 0.9)
	assert.Contains(t, words(long.Said()), "most likely past its best, in 100 % of cases")
	f := loaf()
	cold, err := planner.StaysOut(e, e.Time.Add(3*time.Hour), 100, &f)
	require.NoError(t, err)
	assert.Greater(t, cold.P50, o.P50, "the cold still adds some")
	_, err = planner.StaysOut(e, e.Time.Add(-time.Hour), 100, nil)
	assert.ErrorContains(t, err, "plan.refused.past")
	_, err = planner.StaysOut(unseen(), e.Time, 100, nil)
	assert.ErrorContains(t, err, "plan.refused.no_forecast")
}

func TestReplan(t *testing.T) {
	plans, err := planner.Make(wish())
	require.NoError(t, err)
	p := find(t, plans, "overnight").Process
	said, err := planner.Replan(&p, straight(), loaf(), bake.DefaultBatch().Total(0))
	require.NoError(t, err)
	m, err := planner.MoveToFridge(straight(), loaf(), bake.DefaultBatch().Total(0), 40*time.Minute)
	require.NoError(t, err)
	var got float64
	for _, d := range p.Defs {
		if d.ID == bake.BulkID {
			got = d.RisePercent
		}
	}
	assert.InDelta(t, m.AtPercent-24*40/60.0, got, 3.5, "changes of less than 3 points are not worth a word")
	if said.Key != "" {
		assert.Contains(t, words(said), "The bulk now ends at")
	}
	again, err := planner.Replan(&p, straight(), loaf(), bake.DefaultBatch().Total(0))
	require.NoError(t, err)
	assert.Empty(t, again, "nothing new, nothing said")
	day := bake.NewProcess(bake.DefaultBatch(), now(), 24)
	said, err = planner.Replan(&day, straight(), loaf(), 100)
	require.NoError(t, err)
	assert.Empty(t, words(said), "no night in the cold, nothing to replan")
}
