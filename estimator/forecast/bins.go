package forecast

import "math"

const (
	maxBins      = 144
	firstWidth   = 1.0 / 60 // hours
	maxDisturbed = 16       // disturbances kept as such; later ones widen the last
)

// bin is the mean of the readings of a short span. Times in hours.
type bin struct {
	n                     float64
	at, volumeL, variance float64 // sums
	ganzle, ctmi          float64 // sums of equivalent time
	first, last           float64
	jump                  float64 // variance of a jump before this bin, share of V0 squared
	jumpAt                float64 // when it happened
	dent                  float64 // variance of a dent before this bin that nobody told, share of V0 squared
}

func (b *bin) meanAt() float64     { return b.at / b.n }
func (b *bin) meanVolume() float64 { return b.volumeL / b.n }
func (b *bin) meanGanzle() float64 { return b.ganzle / b.n }
func (b *bin) meanCTMI() float64   { return b.ctmi / b.n }

func (b *bin) absorb(o *bin) {
	b.n += o.n
	b.at += o.at
	b.volumeL += o.volumeL
	b.variance += o.variance
	b.ganzle += o.ganzle
	b.ctmi += o.ctmi
	b.last = o.last
}

// bins is the whole record in constant memory: when it is full, neighbours are
// merged and later bins are twice as long. Merging never crosses a disturbance.
type bins struct {
	list    [maxBins]bin
	n       int
	width   float64
	pending float64 // jump variance waiting for the next reading
	when    float64
	jumps   int
	hands   int
	usual   float64 // hours between readings
	noise   noise
}

func (b *bins) add(at, volumeL, sdL, ganzle, ctmi float64, hands bool) {
	b.noise.add(at, volumeL, sdL)
	handled := b.handled(at, volumeL) && hands
	one := bin{n: 1, at: at, volumeL: volumeL, variance: sdL * sdL, ganzle: ganzle, ctmi: ctmi, first: at, last: at}
	if b.n > 0 && b.pending == 0 && !handled {
		if cur := &b.list[b.n-1]; at-cur.first < b.width {
			cur.absorb(&one)
			return
		}
	}
	if b.n == maxBins {
		b.merge()
	}
	if b.pending > 0 {
		one.jump, one.jumpAt = b.pending, b.when
		b.pending = 0
	} else if handled {
		one.dent = handsSD * handsSD
		b.hands++
	}
	b.list[b.n] = one
	b.n++
}

// A pause of minutes between readings that come faster, in the first half of a
// rise, with something else than dough seen in it: hands or a lid were in the way,
// and the dough may have been folded without a word, too little to be found (common
// practice, no source: folds are done by then).
const (
	handsLeast = 1.2 / 60 // hours
	handsMost  = 15.0 / 60
	handsSpan  = 2.2  // of the usual time between readings: more than one was lost
	handsLevel = 1.5  // of the start volume
	handsSD    = 0.05 // of the dent they may have left, share of V0
	maxHands   = 12
)

// handled reports whether such a pause ends with a reading.
func (b *bins) handled(at, volumeL float64) bool {
	if b.n == 0 {
		return false
	}
	pause := at - b.list[b.n-1].last
	if b.usual == 0 {
		b.usual = pause
	}
	long := pause > max(handsLeast, handsSpan*b.usual)
	if !long {
		b.usual += (pause - b.usual) / 16
	}
	return long && pause < handsMost && b.hands < maxHands && volumeL < handsLevel*b.list[0].meanVolume()
}

// disturb makes the next reading start a bin that may sit at another level.
func (b *bins) disturb(at, variance float64) {
	if b.n == 0 {
		return
	}
	if b.jumps == maxDisturbed {
		b.list[b.n-1].jump += variance
		return
	}
	if b.pending == 0 {
		b.jumps++
		b.noise.filled = 0
	}
	b.pending += variance
	b.when = at
}

// merge doubles the width until a quarter of the room is free.
func (b *bins) merge() {
	for b.n > maxBins*3/4 {
		b.width *= 2
		out := 0
		for i := 1; i < b.n; i++ {
			cur, next := &b.list[out], &b.list[i]
			if next.jump == 0 && next.dent == 0 && next.last-cur.first <= b.width {
				cur.absorb(next)
				continue
			}
			out++
			b.list[out] = *next
		}
		b.n = out + 1
	}
}

// noise compares the scatter of the readings with the standard deviation they
// were handed in with. Second differences of neighbours are free of any slope.
type noise struct {
	at, v          [2]float64
	filled         int
	seen, expected float64
	count          float64
}

func (s *noise) add(at, v, sd float64) {
	if s.filled == 2 {
		d0, d1 := s.at[1]-s.at[0], at-s.at[1]
		if ratio := d1 / d0; ratio > 0.4 && ratio < 2.5 && d1 < 0.1 {
			a := d1 / (d0 + d1)
			e := s.v[1] - a*s.v[0] - (1-a)*v
			norm := 1 + a*a + (1-a)*(1-a)
			s.take(e*e/norm, sd*sd)
		}
		s.at[0], s.v[0] = s.at[1], s.v[1]
		s.at[1], s.v[1] = at, v
		return
	}
	s.at[s.filled], s.v[s.filled] = at, v
	s.filled++
}

// take counts a squared scatter. One far beyond the scatter so far counts only
// as much as one just beyond, so that a stray reading does not rule and a noisy
// sensor is still found out.
func (s *noise) take(square, expected float64) {
	if limit := 12 * expected * max(s.ratio(), 0.5); square > limit {
		square = limit
	}
	s.seen += square
	s.expected += expected
	s.count++
}

// ratio is the factor to multiply the stated variance by. Few readings leave it
// near 1; readings stuck on a step of the sensor look too quiet, hence the floor.
func (s *noise) ratio() float64 {
	if s.count == 0 {
		return 1
	}
	const weight = 15
	mean := s.expected / s.count
	r := (s.seen + weight*mean) / (s.expected + weight*mean)
	return min(max(r, 0.25), 16)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
