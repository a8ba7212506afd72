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

// FanCrossing reads off the forecast fan when a rise in percent is reached:
// From where the upper edge (9 in 10) gets there, Until where the lower edge
// does. A rise passed already gives the estimate's own time. It returns false
// when there is no fan, or when the middle does not get there; an edge that
// does not is taken at the fan's end.
func FanCrossing(est estimator.Estimate, risePercent float64) (estimator.Window, bool) {
	if !math.IsNaN(est.RisePercent) && est.RisePercent >= risePercent && !est.Time.IsZero() {
		return point(est.Time), true
	}
	if len(est.Fan) == 0 {
		return estimator.Window{}, false
	}
	mid, ok := crossing(est.Fan, risePercent, func(f estimator.FanPoint) float64 { return f.P50Percent })
	if !ok {
		return estimator.Window{}, false
	}
	early, _ := crossing(est.Fan, risePercent, func(f estimator.FanPoint) float64 { return f.P90Percent })
	late, _ := crossing(est.Fan, risePercent, func(f estimator.FanPoint) float64 { return f.P10Percent })
	if early.After(mid) {
		early = mid
	}
	return estimator.Window{From: early, Median: mid, Until: Later(late, mid)}, true
}

// crossing is when one line of the fan first reaches a level; the fan's end
// and false when it does not.
func crossing(fan []estimator.FanPoint, level float64, line func(estimator.FanPoint) float64) (time.Time, bool) {
	for i, f := range fan {
		v := line(f)
		if !(v >= level) {
			continue
		}
		if i == 0 {
			return f.Time, true
		}
		before := line(fan[i-1])
		share := (level - before) / (v - before)
		return fan[i-1].Time.Add(time.Duration(share * float64(f.Time.Sub(fan[i-1].Time)))), true
	}
	return fan[len(fan)-1].Time, false
}

// FanAt reads the fan at a moment: quantiles of the rise in percent. Before
// its start it gives the first column, after its end the last. NaN without a
// fan.
func FanAt(fan []estimator.FanPoint, t time.Time) (p10, p50, p90 float64) {
	if len(fan) == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	i := 0
	for i+1 < len(fan) && !fan[i+1].Time.After(t) {
		i++
	}
	a := fan[i]
	if i+1 == len(fan) || t.Before(a.Time) {
		return a.P10Percent, a.P50Percent, a.P90Percent
	}
	b := fan[i+1]
	x := float64(t.Sub(a.Time)) / float64(b.Time.Sub(a.Time))
	mix := func(u, v float64) float64 { return u + x*(v-u) }
	return mix(a.P10Percent, b.P10Percent), mix(a.P50Percent, b.P50Percent), mix(a.P90Percent, b.P90Percent)
}
