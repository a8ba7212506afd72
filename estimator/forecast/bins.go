package forecast

import "math"

// bin is the mean of the readings of a short span, or a look by eye. Times in
// hours since the start.
type bin struct {
	n, at, levelMM float64 // count, and sums over the readings
	variance       float64 // of one reading, mm^2
	noise          float64 // variance of the mean, mm^2
	first          float64 // when it began
	ganzle, ctmi   float64 // equivalent hours at its middle, sums
	air            float64 // Celsius, sum; NaN when not known
	stir           bool    // hands were in the dough before this bin, perhaps
	look           bool    // a look: levelMM is the volume in start volumes
	astray         float64 // volume by which all curves missed the bins before, start volumes; 0 when they did not
}

func (b *bin) meanAt() float64     { return b.at / b.n }
func (b *bin) level() float64      { return b.levelMM / b.n }
func (b *bin) meanGanzle() float64 { return b.ganzle / b.n }
func (b *bin) meanCTMI() float64   { return b.ctmi / b.n }

// absorb adds another bin to this one.
func (b *bin) absorb(o *bin) {
	b.variance = (b.variance*b.n + o.variance*o.n) / (b.n + o.n)
	b.noise = (b.noise*b.n*b.n + o.noise*o.n*o.n) / ((b.n + o.n) * (b.n + o.n))
	b.n += o.n
	b.at += o.at
	b.levelMM += o.levelMM
	b.ganzle += o.ganzle
	b.ctmi += o.ctmi
	b.air += o.air
}

// noiseOf returns the variance of the bin's mean, mm^2. Averaging does not help against
// the steps of a sensor that scatters less than it steps.
func (b *bin) noiseOf(quantumMM, readSDMM float64) float64 {
	step := quantumMM * quantumMM / 12
	coarse := math.Exp(-20 * max(readSDMM*readSDMM-step, 0) / max(quantumMM*quantumMM, 1e-9))
	return b.variance/b.n + step*coarse
}

// mergeBins halves the oldest bins until a quarter of the room is free. Looks,
// stirs and steps stay where they are.
func mergeBins(list []bin, steps []Step) []bin {
	out := list[:0]
	left := len(list)
	for i := 0; i < len(list); i++ {
		b := list[i]
		if left > maxNeeded && i+1 < len(list) {
			next := &list[i+1]
			if !b.look && !next.look && !next.stir && next.first-b.first < 8*binHours && !stepBetween(steps, b.first, next.first) {
				b.absorb(next)
				i++
				left--
			}
		}
		out = append(out, b)
	}
	return out
}

// stepBetween reports whether a step lies between two times.
func stepBetween(steps []Step, from, to float64) bool {
	for i := range steps {
		if steps[i].At > from && steps[i].At <= to {
			return true
		}
	}
	return false
}
