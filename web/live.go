package web

import (
	"context"
	"fmt"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web/chart"
)

// Live is what is being watched now. The wiring implements it; all methods may
// be called from many goroutines.
type Live interface {
	// Snapshot returns the state of all vessels. It must be quick and must not
	// share memory that changes later.
	Snapshot() Snapshot
	// Subscribe returns a channel that receives after every change, until ctx
	// ends. A slow receiver misses signals, never states: it asks for the
	// newest Snapshot.
	Subscribe(ctx context.Context) <-chan struct{}
	// Curve returns the measured line of the rise under way in a vessel,
	// thinned to about a thousand samples; nil when there is none.
	Curve(ctx context.Context, vessel string) ([]chart.Sample, error)
	// Act does what a person asked for. A Refusal is shown to the person; any
	// other error is logged and shown as a fault.
	Act(ctx context.Context, a Act) error
}

// Snapshot is everything that is known at one moment.
type Snapshot struct {
	Seq     uint64 // grows with every change
	At      time.Time
	Vessels []Vessel
	System  System
}

// Vessel is one watched jar, tub or basket.
type Vessel struct {
	State         bake.State // what is the case; its At is zero where only the parts below are known
	Name          string
	Holds         estimator.Holds
	RiseID        int64 // 0 when no rise is watched
	Demo          bool  // invented data
	Lead          time.Duration
	TargetPercent float64 // the mark
	TargetName    string  // e.g. "doubled"; empty for none
	InFridge      bool
	Batch         string   // name of the batch or feeding; empty for none
	Batches       []string // names to choose from at a start
	Estimate      estimator.Estimate
	AirHumidity   float64 // relative humidity of the air, ratio 0..1; 0 or NaN when not measured
	Steps         []bake.Step
	Alarms        []alert.Alarm // not resolved ones first
	Sensors       []SensorHealth
	Deeds         []Deed // what was done to this rise, oldest first

	After      *bake.After     // the bake after its bulk; nil when there is none
	Care       *bake.Care      // what to expect of a fed starter; nil when none is watched
	Findings   []bake.Finding  // what the past feeds say of a starter
	Feed       string          // the feeding of a starter as a ratio; empty when not known
	ProofOf    string          // the vessel whose final proof this one shows; empty for none
	ProofBasis bake.ProofBasis // how: as its basket or as its sample jar
	Plan       *PlanState      // nil when no plan was taken on
}

// Deed is something done to a rise, as kept by the wiring.
type Deed struct {
	ID       int64
	At       time.Time
	Kind     ActKind
	By       string
	CanUndo  bool
	Detail   string // e.g. "90 %" for a changed mark
	TargetPc float64
}

// SensorHealth says how one sensor does.
type SensorHealth struct {
	Sensor      string // "height", "dough", "air"
	Quantity    string // "distance", "temperature", "humidity"
	Status      string // of the last reading: "ok", "missing", ...
	Reason      string // in words; empty when ok
	LastOK      time.Time
	ReadSeconds float64           // how long the last read took; NaN when unknown
	Readings    map[string]uint64 // number of readings by status
	// How often the sensor was brought back: set up anew by commands, and switched
	// off and on by its shutdown or supply line.
	Restarts, Resets int64
}

// System is the state of the service itself.
type System struct {
	Version              string
	StartedAt            time.Time
	StoreProblem         string // why history does not reach the disk; empty when it does
	ClockSet             bool
	Notes                []string
	NotificationsByState map[string]int // "waiting", "sent", "failed", "expired", "withdrawn"
	HeartbeatAt          time.Time      // last answered heartbeat; zero when none
	RowsWaiting          int            // samples not yet on disk
	LastCommit           time.Time
	RowsDropped          int64
	SamplesLate          uint64 // readings that were due and not taken in time
	ChannelProblems      []string
}

// ActKind names what a person did.
type ActKind string

// The acts.
const (
	ActStart     ActKind = "start"
	ActFold      ActKind = "fold"
	ActFridge    ActKind = "fridge"
	ActCounter   ActKind = "counter"
	ActShaped    ActKind = "shaped"
	ActBaked     ActKind = "baked"
	ActEnd       ActKind = "end"
	ActBegun     ActKind = "begun"  // a step is under way
	ActFed       ActKind = "fed"    // a starter was fed: a new rise starts
	ActStepDone  ActKind = "step"   // a step of the process is done
	ActStepSkip  ActKind = "skip"   // a step is left out
	ActAck       ActKind = "ack"    // a warning was seen
	ActSnooze    ActKind = "snooze" // remind again later
	ActTarget    ActKind = "target" // another mark
	ActLook      ActKind = "look"   // how far a person saw it risen
	ActUndo      ActKind = "undo"
	ActCorrect   ActKind = "correct" // a deed was done at another time
	ActNote      ActKind = "note"
	ActJudgement ActKind = "judgement" // outcome, oven spring and note
	ActAway      ActKind = "away"      // nobody is there for a while
	ActPlan      ActKind = "plan"      // the vessel follows a plan from now on
)

// actKinds lists them all.
func actKinds() []ActKind {
	return []ActKind{ActStart, ActFold, ActFridge, ActCounter, ActShaped, ActBaked, ActEnd, ActFed, ActBegun, ActCorrect, ActStepDone,
		ActStepSkip, ActAck, ActSnooze, ActTarget, ActLook, ActUndo, ActNote, ActJudgement, ActAway, ActPlan}
}

// Act is one thing a person did or asks for.
type Act struct {
	Kind          ActKind
	Vessel        string
	RiseID        int64     // the rise the page showed; 0 means the one under way
	At            time.Time // when it was done; zero means now
	By            string    // "page", a token's name
	Batch         string    // of a start: name of the batch or feeding; empty for the vessel's usual one, NoBatch for none
	TargetPercent float64   // of a target
	SeenPercent   *float64  // of a look: the rise, percent of the start volume
	AlarmID       string    // of ack and snooze
	Snooze        time.Duration
	StepID        string    // of step and skip
	Feed          bake.Feed // of fed and start: grams; zero means the usual feeding
	Answer        string    // to the question of a step
	UndoID        int64     // of undo: the deed, 0 means the last one; of correct: the deed that was done at At
	Note          string
	Judgement     history.Judgement
	Away          *bake.Span // of away: from when until when
	Plan          *PlanWish  // of plan: what was asked for, and the way chosen
}

// NoBatch as the name of a batch says that a rise belongs to none that is known.
const NoBatch = "-"

// Refusal is an event that makes no sense now. Its text is shown to the person.
type Refusal = bake.Refusal

// Refuse returns a Refusal.
func Refuse(format string, args ...any) error { return Refusal{Why: fmt.Sprintf(format, args...)} }
