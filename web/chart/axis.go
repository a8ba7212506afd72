package chart

import (
	"math"
	"time"
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

// timeScale maps moments to pixels.
type timeScale struct {
	t0, t1 time.Time
	p0, p1 float64
}

// at is the pixel of a moment.
func (s timeScale) at(t time.Time) float64 {
	span := s.t1.Sub(s.t0)
	if span <= 0 {
		return s.p0
	}
	return s.p0 + float64(t.Sub(s.t0))/float64(span)*(s.p1-s.p0)
}

// holds reports whether the moment is on the axis.
func (s timeScale) holds(t time.Time) bool { return !t.Before(s.t0) && !t.After(s.t1) }

// niceStep is the distance of round numbers that gives at most want steps.
func niceStep(span float64, want int) float64 {
	if span <= 0 || want < 1 {
		return 1
	}
	raw := span / float64(want)
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if m*mag >= raw*(1-1e-9) {
			return m * mag
		}
	}
	return 10 * mag
}

// ticks are the round values between lo and hi.
func ticks(lo, hi float64, want int) []float64 {
	step := niceStep(hi-lo, want)
	var out []float64
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, i*step+0) // +0 turns -0 into 0
	}
	return out
}

// timeTicks are round moments of the household's clock at least minPixels
// apart. Days that are longer or shorter by daylight saving come out right,
// because each tick is asked of the calendar and not added up.
func timeTicks(s timeScale, zone *time.Location, minPixels float64) []time.Time {
	span := s.t1.Sub(s.t0)
	if span <= 0 {
		return nil
	}
	step := timeStep(span, (s.p1-s.p0)/minPixels)
	local := s.t0.In(zone)
	days, minutes := max(1, int(step/(24*time.Hour))), min(24*60, int(step/time.Minute))
	var out []time.Time
	for d := 0; d < 4000; d += days {
		for m := 0; m < 24*60; m += minutes {
			t := time.Date(local.Year(), local.Month(), local.Day()+d, 0, m, 0, 0, zone)
			if t.After(s.t1) {
				return out
			}
			if s.holds(t) && (len(out) == 0 || t.After(out[len(out)-1])) {
				out = append(out, t)
			}
		}
	}
	return out
}

// timeStep picks the distance of the ticks.
func timeStep(span time.Duration, room float64) time.Duration {
	const day = 24 * time.Hour
	steps := []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 4 * time.Hour, 6 * time.Hour, 12 * time.Hour,
		day, 2 * day, 7 * day, 14 * day, 28 * day}
	for _, s := range steps {
		if float64(span)/float64(s) <= room {
			return s
		}
	}
	return 56 * day
}

// nights are the stretches from 22:00 to 6:00 between t0 and t1, which are shaded.
func nights(c Chart, t0, t1 time.Time) [][2]time.Time {
	if c.Lines != nil {
		return nil
	}
	var out [][2]time.Time
	day := t0.In(c.zone())
	for d := -1; ; d++ {
		from := time.Date(day.Year(), day.Month(), day.Day()+d, 22, 0, 0, 0, c.zone())
		if !from.Before(t1) {
			return out
		}
		until := time.Date(day.Year(), day.Month(), day.Day()+d+1, 6, 0, 0, 0, c.zone())
		if from, until = latest(from, t0), earliest(until, t1); from.Before(until) {
			out = append(out, [2]time.Time{from, until})
		}
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earliest(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
