package forecast

import "math"

// LookWorth says what a look by eye now would do to the forecast of a rise: the width
// of its 80 % interval as it is and as it would be afterwards, hours. sdPercent is the
// doubt of the look, percentage points. NaN before a forecast. It takes the rise now and
// the time of the crossing for jointly normal over the members that cross.
func (f *Fit) LookWorth(risePercent, sdPercent float64) (now, then float64) {
	c := f.Crossing(risePercent)
	if !c.Known || c.Past {
		return math.NaN(), math.NaN()
	}
	var sum, meanR, meanT, rr, tt, rt float64
	for i := range f.members {
		at := f.crossesAt(i, risePercent/100)
		if math.IsInf(at, 1) {
			continue
		}
		w, rise := f.paths.weight[i], f.riseAt(i, 0)
		sum += w
		dr, dt := rise-meanR, at-meanT
		meanR += w / sum * dr
		meanT += w / sum * dt
		rr += w * dr * (rise - meanR)
		tt += w * dt * (at - meanT)
		rt += w * dr * (at - meanT)
	}
	now = c.Until - c.From
	if !(sum > 0 && rr > 0 && tt > 0) {
		return now, now
	}
	told := rt * rt / (rr * tt) * rr / (rr + sum*sdPercent*sdPercent/1e4)
	return now, now * math.Sqrt(1-min(told, 1))
}
