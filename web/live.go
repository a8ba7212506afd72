package web

import (
	"context"
	"time"

	"tidemark/alert"
	"tidemark/bake"
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
	// Do takes in what a person says happened. A Refusal is shown to the person; any
	// other error is logged and shown as a fault. An At of zero means now.
	Do(ctx context.Context, e bake.Event) error
	// Undo takes an event back; riseID names the rise where that is not the one under
	// way, and id 0 means the last event that can be taken back.
	Undo(ctx context.Context, vessel string, riseID, id int64) error
	// Correct moves an event to another time; riseID names the rise where that is not the
	// one under way.
	Correct(ctx context.Context, vessel string, riseID, id int64, at time.Time) error
	// RemoveRise takes a past rise out of the history, with all that belongs to it.
	RemoveRise(ctx context.Context, id int64) error
	// Answer acknowledges a warning, or snoozes it for a span that is not 0.
	Answer(ctx context.Context, alarmID, by string, snooze time.Duration) error
}

// Snapshot is everything that is known at one moment.
type Snapshot struct {
	Seq     uint64 // grows with every change
	At      time.Time
	Vessels []Vessel
	System  System
}

// Vessel is one watched jar, tub or basket: what is the case with it, and beside it
// what a page shows more.
type Vessel struct {
	bake.State
	Recipe      *bake.Batch // what is usually made in it; nil when not known
	HoldsL      float64     // how much it holds to the rim, litres; 0 when not known
	Batches     []string    // names to choose from at a start
	AirHumidity float64     // relative humidity of the air, ratio 0..1; 0 or NaN when not measured
	Alarms      []alert.Alarm
	NearMissed  int // times the mark was reached and no near warning had come, since the program's start
	Sensors     []SensorHealth
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

// Refusal is an event that makes no sense now. Its text is shown to the person.
type Refusal = bake.Refusal
