package alert

import (
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Input is everything the rules may look at for one vessel at one moment.
type Input struct {
	bake.State
	RiseID int64 // of the rise that its alarms belong to, which may go on to the oven; 0 for none
	Loaf   Loaf
	Silent []Silent // thermometers that give nothing now
	// HeightFault is why the height sensor gave nothing when it was asked last, one
	// of the statuses of package sensor; empty when it gave a height.
	HeightFault string
	System      System
}

// Loaf is the loaf for which a sample jar stands. The zero Loaf is none.
type Loaf struct {
	By   estimator.Window // when it is ready; zero outside its proof
	Told bool             // it is followed and told apart, up to the slice
}

// Silent is a thermometer of a vessel that gives no reading now.
type Silent struct {
	Sensor string    // dough or air
	Since  time.Time // of its last good reading; zero when it never gave one
}

// System is the state of the machine itself.
type System struct {
	ClockSet      bool
	DiskFreeRatio float64 // 0..1; NaN when unknown
	UnderVoltage  bool
	// Unwatched is the span nobody watched before the last start, after an
	// unclean stop. Zero when there was none. It may stay set: it is told once.
	Unwatched bake.Span
	// Awake is since when the vessel is watched without a break such as a sleep; zero
	// when it always was. A sensor that was not asked before is not lost.
	Awake time.Time
}
