package sensor

import "time"

// CheckMM refuses a distance outside minMM..maxMM; where one of them is 0 the
// chip's own limit (lo, hi) is taken. All in mm. The error is a *FaultError.
func CheckMM(mm, minMM, maxMM, lo, hi float64) (float64, error) {
	if minMM == 0 {
		minMM = lo
	}
	if maxMM == 0 {
		maxMM = hi
	}
	switch {
	case mm < minMM:
		return 0, Faultf(OutOfRange, "%.0f mm is nearer than the sensor can be believed (%.0f mm); raise it, or look for something on its window", mm, minMM)
	case !(mm <= maxMM):
		return 0, Faultf(OutOfRange, "%.0f mm is farther than expected here (%.0f mm); is the sensor over the vessel?", mm, maxMM)
	}
	return mm, nil
}

// stillFor and stillCount are how long and how often a sensor with noise of its
// own must repeat one value before it counts as stuck. Common practice, no
// source.
const (
	stillFor   = 5 * time.Minute
	stillCount = 60
)

// StillGuard notices a sensor that gives exactly the same value for too long,
// where noise alone should move it. The zero value is ready.
type StillGuard struct {
	value float64
	since time.Duration
	count int
}

// Moves takes the next value, read at mono, and is false once it has been the
// same for five minutes and sixty readings.
func (g *StillGuard) Moves(value float64, mono time.Duration) bool {
	if g.count == 0 || value != g.value {
		g.value, g.since, g.count = value, mono, 1
		return true
	}
	g.count++
	return g.count < stillCount || mono-g.since < stillFor
}
