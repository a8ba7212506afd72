package sensor

import "time"

// Clock tells a source when a reading was taken: the wall time, and the time
// since an arbitrary moment on a clock that never steps.
type Clock func() (wall time.Time, mono time.Duration)

// SystemClock is the machine's clock. Its monotonic side starts at zero.
func SystemClock() Clock {
	start := time.Now()
	return func() (time.Time, time.Duration) {
		now := time.Now()
		return now, now.Sub(start)
	}
}

// WallOnly makes a Clock of a wall clock that is known never to step, such as
// the accelerated clock of a demo or a test.
func WallOnly(now func() time.Time) Clock {
	start := now()
	return func() (time.Time, time.Duration) {
		t := now()
		return t, t.Sub(start)
	}
}
