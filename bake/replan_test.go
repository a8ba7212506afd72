package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/estimator"
)

// straight is a rise of 24 % an hour at 24 C, seen at 10:00 with 20 %.
func straight() estimator.Estimate {
	e := unseen()
	e.Time, e.Started, e.Phase = at(10, 0), at(8, 0), estimator.Rising
	e.DoughC, e.AirC, e.RisePercent, e.TargetPercent = 24, 24, 20, 100
	for h := 0.0; h <= 10; h += 0.25 {
		mid := 20 + 24*h
		e.Fan = append(e.Fan, estimator.FanPoint{Time: e.Time.Add(time.Duration(h * float64(time.Hour))), P10Percent: mid - 3*h, P50Percent: mid, P90Percent: mid + 3*h})
	}
	return e
}

// On a straight rise the sum can be done by hand: what the cold is worth and 40 minutes of
// shaping, times 24 % an hour, are left out before the total.
func TestReplan(t *testing.T) {
	light, heavy := Fridge{AirC: 4, PieceKg: 0.75}, Fridge{AirC: 4, PieceKg: 2}
	end := func(f Fridge) float64 {
		p := NewProcess(DefaultBatch(), at(8, 0), 24).Retarded()
		change := p.Replan(straight(), f, 120)
		assert.Contains(t, words(change), "The bulk ends at")
		assert.Empty(t, p.Replan(straight(), f, 120), "nothing new, nothing said")
		return p.Defs[bulkPlace(p)].RisePercent
	}
	assert.InDelta(t, 120-24*(light.Carry(24, CarryHours, Speed)+40/60.0), end(light), 0.51)
	assert.Less(t, end(heavy), end(light), "a heavy piece stays warm longer and goes in sooner")

	day := NewProcess(DefaultBatch(), at(8, 0), 24)
	assert.Empty(t, day.Replan(straight(), light, 120), "no night in the cold, nothing to replan")
	night := day.Retarded()
	assert.Empty(t, night.Replan(unseen(), light, 120), "no forecast")
	assert.Empty(t, night.Replan(straight(), light, 500), "never gets there")
	blind := straight()
	blind.DoughC, blind.AirC = math.NaN(), math.NaN()
	assert.Empty(t, night.Replan(blind, light, 120), "the cooling cannot be computed")
}

func bulkPlace(p Process) int {
	for i, d := range p.Defs {
		if d.ID == BulkID {
			return i
		}
	}
	return -1
}
