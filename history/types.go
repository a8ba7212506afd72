package history

import (
	"time"

	"tidemark/estimator"
)

// Rise is one watched rise.
type Rise struct {
	ID            int64
	Vessel        string
	Holds         estimator.Holds
	StartedAt     time.Time
	EndedAt       time.Time // zero while under way
	BaselineL     float64   // volume at the start, litres; 0 until known
	BaselineSDL   float64
	TargetPercent float64
	ReachedAt     time.Time // zero when not (yet) reached
	PeakPercent   float64
	PeakAt        time.Time
	MeanDoughC    float64
	MaxRate       float64 // percent per hour
	CeilingPct    float64
	Phase         estimator.Phase // last known
	PhaseSince    time.Time
	Batch         []byte // the batch or feeding it belongs to, JSON of package bake; nil when unknown
	Outcome       string // "", "under", "right", "over"
	OvenSpring    string
	Note          string
	Demo          bool // invented data of the demo
}

// Row is one stored sample with the estimate at that time. Missing values are
// NaN and are stored as NULL.
type Row struct {
	Time        time.Time
	DistanceMM  float64
	DoughC      float64
	AirC        float64
	RisePercent float64
	RiseSD      float64
	EquivHours  float64
	Rejected    string // reason when the distance was not believed
	Event       estimator.Event
}
