package history

import (
	"encoding/json"
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

	EquivHours        float64 // growth time at 24 C from the start to the end or the last update
	PeakEquivHours    float64 // growth time at 24 C from the start to the peak; NaN when unknown
	ReachedEquivHours float64 // growth time at 24 C from the start to the mark; NaN when unknown
	Imported          bool    // read from a record file, not watched by this service
}

// UnderWay reports whether the rise has not ended.
func (r Rise) UnderWay() bool { return r.EndedAt.IsZero() }

// Judgement is what a person thought of the result afterwards.
type Judgement struct {
	Outcome    string // "", "under", "right", "over"
	OvenSpring string
	Note       string
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

// ForecastRow is a forecast as it stood at one moment, kept to look back at how
// well it did. Missing numbers are NaN, missing times zero.
type ForecastRow struct {
	RiseID         int64
	At             time.Time // when the forecast was made
	Ready          estimator.Window
	RisePercent    float64
	TargetPercent  float64
	ReachChance    float64 // 0..1
	CeilingPercent float64 // median of the final rise
	CeilingLow     float64 // 10 % quantile
	CeilingHigh    float64 // 90 % quantile
}

// Act is something a person or a program did to a rise. An undone act stays in
// the list, marked.
type Act struct {
	ID     int64
	RiseID int64
	At     time.Time
	Kind   string // e.g. "fold", "target", "note"
	By     string // who: a session, a token's name, "cli"
	Data   json.RawMessage
	Undone bool
}

// Filter chooses rises. A zero field does not restrict.
type Filter struct {
	Vessel  string
	From    time.Time // started at or after
	Until   time.Time // started before
	Outcome string    // "under", "right", "over", or "none" for not judged
	Text    string    // part of vessel, note or oven spring, any case (ASCII)
	Limit   int       // at most so many, 1..500; 0 means 50
	Cursor  string    // from Page.Next
}

// Page is one page of rises, newest first.
type Page struct {
	Rises []Rise
	Next  string // Cursor of the next page; empty on the last
}

// Photo is a picture of a result. The store takes it as it is: type and size
// are checked and metadata is stripped by the caller.
type Photo struct {
	ID     int64
	RiseID int64
	At     time.Time
	Type   string // media type, e.g. "image/jpeg"
	Bytes  []byte // nil in lists
	Size   int64  // bytes
}

// Health says whether what is watched also reaches the disk.
type Health struct {
	Problem     string    // in words; empty when all is well
	Since       time.Time // when the problem began
	InMemory    bool      // no file could be opened at all: everything is lost at the stop
	WaitingRows int       // samples not yet written
	HeldWrites  int       // other records held in memory because the disk refused them
	DroppedRows int64     // samples given up because memory was full
	LastCommit  time.Time // last successful pass of the writer, even an empty one
	SetAside    string    // where a damaged or newer file was put; empty when none was
	Notes       []string  // what opening found, for the log and the page
}

// OK reports whether there is no problem.
func (h Health) OK() bool { return h.Problem == "" }
