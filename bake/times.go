package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// Later returns the later of two times.
func Later(x, y time.Time) time.Time {
	if x.Before(y) {
		return y
	}
	return x
}

// Earlier returns the earlier of two times.
func Earlier(x, y time.Time) time.Time {
	if y.Before(x) {
		return y
	}
	return x
}

// HoursOf turns hours into a duration of whole seconds.
func HoursOf(h float64) time.Duration { return time.Duration(math.Round(h*3600)) * time.Second }

func minutes(m int) time.Duration { return time.Duration(m) * time.Minute }

// point is a moment without doubt.
func point(t time.Time) estimator.Window { return estimator.Window{From: t, Median: t, Until: t} }

// shift moves a window.
func shift(w estimator.Window, d time.Duration) estimator.Window {
	return estimator.Window{From: w.From.Add(d), Median: w.Median.Add(d), Until: w.Until.Add(d)}
}

// notBefore moves the parts of a window that lie before t to t.
func notBefore(w estimator.Window, t time.Time) estimator.Window {
	return estimator.Window{From: Later(w.From, t), Median: Later(w.Median, t), Until: Later(w.Until, t)}
}
