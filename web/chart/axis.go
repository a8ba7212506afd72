package chart

import (
	"math"
	"slices"
	"time"

	"tidemark/bake"
)

// scale maps values of one axis to pixels.
type scale struct {
	v0, v1 float64 // values at the two ends
	p0, p1 float64 // their pixels
}

// at is the pixel of a value.
func (s scale) at(v float64) float64 {
	if s.v1 == s.v0 {
		return s.p0
	}
	return s.p0 + (v-s.v0)/(s.v1-s.v0)*(s.p1-s.p0)
}

// clamp is the pixel of a value held inside the axis.
func (s scale) clamp(v float64) float64 {
	return s.at(math.Min(math.Max(v, s.v0), s.v1))
}

// ticks are the round values between lo and hi, in at most want steps.
func ticks(lo, hi float64, want int) []float64 {
	step := 1.0
	if raw := (hi - lo) / float64(want); raw > 0 {
		step = math.Pow(10, math.Floor(math.Log10(raw)))
		round := []float64{1, 2, 2.5, 5, 10}
		i := slices.IndexFunc(round, func(m float64) bool { return m*step >= raw*(1-1e-9) })
		step *= round[max(i, 0)]
	}
	var out []float64
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, i*step+0) // +0 turns -0 into 0
	}
	return out
}

// timeTicks are round moments of the household's clock, at most so many as there is room
// for. Days that are longer or shorter by daylight saving come out right, because each
// tick is asked of the calendar and not added up.
func timeTicks(from, until time.Time, zone *time.Location, room float64) []time.Time {
	const day = 24 * time.Hour
	steps := []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 4 * time.Hour, 6 * time.Hour, 12 * time.Hour,
		day, 2 * day, 7 * day, 14 * day, 28 * day, 56 * day}
	i := slices.IndexFunc(steps, func(s time.Duration) bool { return float64(until.Sub(from))/float64(s) <= room })
	if i < 0 {
		i = len(steps) - 1
	}
	local := from.In(zone)
	days, minutes := max(1, int(steps[i]/day)), min(24*60, int(steps[i]/time.Minute))
	var out []time.Time
	for d := 0; d < 4000; d += days {
		for m := 0; m < 24*60; m += minutes {
			t := time.Date(local.Year(), local.Month(), local.Day()+d, 0, m, 0, 0, zone)
			if t.After(until) {
				return out
			}
			if !t.Before(from) && (len(out) == 0 || t.After(out[len(out)-1])) {
				out = append(out, t)
			}
		}
	}
	return out
}

// nights are the stretches from 22:00 to 6:00 between two moments, which are shaded.
func nights(from, until time.Time, zone *time.Location) [][2]time.Time {
	var out [][2]time.Time
	day := from.In(zone)
	for d := -1; ; d++ {
		dusk := time.Date(day.Year(), day.Month(), day.Day()+d, 22, 0, 0, 0, zone)
		dawn := time.Date(day.Year(), day.Month(), day.Day()+d+1, 6, 0, 0, 0, zone)
		if !dusk.Before(until) {
			return out
		}
		if dusk, dawn = bake.Later(dusk, from), bake.Earlier(dawn, until); dusk.Before(dawn) {
			out = append(out, [2]time.Time{dusk, dawn})
		}
	}
}
