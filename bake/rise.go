package bake

import (
	"encoding/json"
	"time"

	"tidemark/estimator"
)

// Rise sums one rise up, as a Session knows it and as it is kept. What is not known is
// zero, or NaN.
type Rise struct {
	ID                     int64
	Vessel                 string
	Holds                  estimator.Holds
	Demo                   bool      // everything seen is invented
	Imported               bool      // read from a record, not watched
	StartedAt, EndedAt     time.Time // EndedAt is zero while it is under way
	Auto                   bool      // it began by itself; not kept
	Batch                  []byte    // the batch or feeding it belongs to, as JSON; nil when not known
	BaselineL, BaselineSDL float64   // volume at the start; 0 until known
	TargetPercent          float64
	ReachedAt              time.Time // zero before the mark
	PeakPercent            float64
	PeakAt                 time.Time // zero without one
	CeilingPercent         float64
	MeanDoughC             float64
	MaxRate                float64 // percent an hour
	Phase                  estimator.Phase
	PhaseSince             time.Time
	EquivHours             float64 // growth time at 24 C from the start to the end or the last sample
	PeakEquivHours         float64 // from the start to the peak
	ReachedEquivHours      float64 // from the start to the mark
	Judgement
}

// Judgement is what a person thought of the result afterwards.
type Judgement struct {
	Outcome    string // "", "under", "right", "over"
	OvenSpring string
	Note       string
}

// Outcomes lists the judgements, from too little to too much proof.
func Outcomes() []string { return []string{"under", "right", "over"} }

// UnderWay reports whether the rise has not ended.
func (r Rise) UnderWay() bool { return r.EndedAt.IsZero() }

// Mixed returns the batch of a dough; nil when it is not known.
func (r Rise) Mixed() *Batch {
	var b Batch
	if json.Unmarshal(r.Batch, &b) != nil || len(b.Flours) == 0 || b.Validate() != nil {
		return nil
	}
	return &b
}

// Fed returns the feeding of a starter; nil when it is not known.
func (r Rise) Fed() *Feed {
	var f Feed
	if json.Unmarshal(r.Batch, &f) != nil || f.StarterG == 0 || f.Validate() != nil {
		return nil
	}
	return &f
}
