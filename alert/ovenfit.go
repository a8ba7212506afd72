package alert

import (
	"math"
	"time"
)

// Dough in an oven that heats. The air gets hotter evenly, and the dough follows
// it slowly, so the dough warms by the square of the time since the onset. A sill,
// a bath, a hand or warm water warm it fast at first and slower later. The curve of
// an oven must fit the measurements, and clearly better than any of the others that
// ends at a temperature of daily life. The figures were chosen on the curves of the
// tests, which are our own.
const (
	squareLeast   = 330 * time.Second // shortest time since the onset that is tried
	squareSure    = 345 * time.Second // shortest that is told
	squareMost    = 9 * time.Minute
	squareStep    = 30 * time.Second // between the onsets tried
	squareBefore  = 4 * time.Minute  // looked at before the earliest onset
	squareKnown   = 90 * time.Second // known before the onset at least
	squareBin     = 15 * time.Second // measurements this close are averaged
	squareCPM2    = 0.030            // least k of a + b t + k t², C a minute squared
	squareCPM     = 0.46             // least rate now, C a minute
	squareDrift   = 0.10             // largest b, C a minute
	squareScatter = 0.13             // largest scatter about the curve, C
	probeScatter  = 0.055            // smallest scatter a probe with steps of 1/16 C is believed, C
	mildestC      = 40               // no sill, bath or hand is warmer
)

// shape is a warming that begins at 0 minutes; none before.
type shape func(minutes float64) float64

// square is the shape of dough in an oven that heats.
func square(t float64) float64 { return t * t }

// mildShapes returns the warmings of daily life: two lags in a row, in minutes, of
// vessel and surroundings. The first two go on evenly, like a heater mat.
func mildShapes() []shape {
	var shapes []shape
	for _, lag := range [][2]float64{{1e4, 0}, {1e4, 2}, {40, 0}, {40, 3}, {40, 6}, {20, 0}, {20, 2}, {20, 5},
		{10, 0}, {10, 2}, {10, 5}, {5, 1}, {5, 2.5}, {2, 1}} {
		slow, quick := lag[0], lag[1]
		shapes = append(shapes, func(t float64) float64 {
			if quick == 0 {
				return 1 - math.Exp(-t/slow)
			}
			return 1 - (slow*math.Exp(-t/slow)-quick*math.Exp(-t/quick))/(slow-quick)
		})
	}
	return shapes
}

// heatFit is a + b t + k shape(t - onset), fitted to measurements; t is 0 now.
type heatFit struct {
	since time.Duration // from the onset to now
	b, k  float64       // C a minute, and C per unit of the shape
	sse   float64       // sum of squared errors; +Inf when there is no fit
}

// accelerates looks for an onset since which the newest measurements rise by the
// square of the time.
func (h *probe) accelerates(at time.Time) *heating {
	if now := h.at(at); now-h.at(at.Add(-squareLeast)) < 0.8 {
		return nil // cheap, and so nearly always
	}
	points := h.averaged(at.Add(-squareMost - squareBefore))
	oven := bestFit(points, at, squareLeast, square, math.Inf(1))
	free := float64(len(points) - 3)
	scatter := math.Sqrt(oven.sse / free)
	if !oven.heats() || !(scatter <= squareScatter) {
		return nil
	}
	margin := 4.0
	if oven.since >= 400*time.Second {
		margin = 2
	}
	margin *= math.Pow(max(scatter, probeScatter), 2)
	for _, mild := range mildShapes() {
		if bestFit(points, at, 0, mild, mildestC).sse-oven.sse < margin {
			return nil
		}
	}
	onset := at.Add(-oven.since)
	return &heating{reason: HeatsTooFast, since: onset, beforeC: h.at(onset), nowC: h.at(at)}
}

// heats reports whether a fitted square has lasted and grown as in an oven.
func (f heatFit) heats() bool {
	return f.since >= squareSure && f.k >= squareCPM2 && f.b+2*f.k*f.since.Minutes() >= squareCPM && math.Abs(f.b) <= squareDrift
}

// averaged returns the measurements from a moment on, those within squareBin as one.
func (h *probe) averaged(from time.Time) []heatPoint {
	var out []heatPoint
	n, begin := 0.0, time.Time{}
	for _, p := range h.points {
		if p.at.Before(from) {
			continue
		}
		if n == 0 || p.at.Sub(begin) >= squareBin {
			out, n, begin = append(out, p), 1, p.at
			continue
		}
		n++
		last := &out[len(out)-1]
		last.at = last.at.Add(time.Duration(float64(p.at.Sub(last.at)) / n))
		last.c += (p.c - last.c) / n
	}
	return out
}

// bestFit fits a shape for each onset from least on and returns the best; a shape
// that ends leads no higher than topC.
func bestFit(points []heatPoint, now time.Time, least time.Duration, s shape, topC float64) heatFit {
	best := heatFit{sse: math.Inf(1)}
	if len(points) < 6 {
		return best
	}
	for since := least; since <= squareMost; since += squareStep {
		if points[0].at.After(now.Add(-since - squareKnown)) {
			break
		}
		f, a := fitShape(points, now, since, s, math.NaN())
		if s(1000) > 0.9 && a+f.k > topC {
			f, _ = fitShape(points, now, since, s, topC-points[0].c)
		}
		if f.sse < best.sse {
			best = f
		}
	}
	return best
}

// fitShape fits a shape by least squares, with its size given or, for NaN, free;
// it returns a as well.
func fitShape(points []heatPoint, now time.Time, since time.Duration, s shape, size float64) (heatFit, float64) {
	var m [3][4]float64
	terms := func(p heatPoint) [3]float64 {
		t := p.at.Sub(now).Minutes()
		return [3]float64{1, t, s(max(0, t+since.Minutes()))}
	}
	for _, p := range points {
		v := terms(p)
		for i := range 3 {
			for j := range 3 {
				m[i][j] += v[i] * v[j]
			}
			m[i][3] += v[i] * p.c
		}
	}
	if !math.IsNaN(size) {
		m[2] = [4]float64{0, 0, 1, size}
	}
	x, ok := solve3(m)
	f := heatFit{since: since, b: x[1], k: x[2]}
	if !ok {
		f.sse = math.Inf(1)
		return f, 0
	}
	for _, p := range points {
		v := terms(p)
		off := p.c - x[0]*v[0] - x[1]*v[1] - x[2]*v[2]
		f.sse += off * off
	}
	return f, x[0]
}

// solve3 solves three linear equations by elimination; false when they say too little.
func solve3(m [3][4]float64) (x [3]float64, ok bool) {
	for i := range 3 {
		pivot := i
		for r := i + 1; r < 3; r++ {
			if math.Abs(m[r][i]) > math.Abs(m[pivot][i]) {
				pivot = r
			}
		}
		m[i], m[pivot] = m[pivot], m[i]
		if math.Abs(m[i][i]) < 1e-12 {
			return x, false
		}
		for r := range 3 {
			if factor := m[r][i] / m[i][i]; r != i {
				for c := i; c < 4; c++ {
					m[r][c] -= factor * m[i][c]
				}
			}
		}
	}
	return [3]float64{m[0][3] / m[0][0], m[1][3] / m[1][1], m[2][3] / m[2][2]}, true
}
