package alert

import (
	"context"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Kind names what an alarm is about. It appears in the replay output, the API
// and metrics, so it never changes its spelling.
type Kind string

// The kinds.
const (
	Near           Kind = "near"
	Reached        Kind = "reached"
	Over           Kind = "over" // past the mark, or no rise left
	LevelsOff      Kind = "levels_off"
	StarterPeak    Kind = "starter_peak"
	StarterFalling Kind = "starter_falling"
	StarterHungry  Kind = "starter_hungry"
	StepDue        Kind = "step_due"
	TooCold        Kind = "too_cold"
	TooHot         Kind = "too_hot"
	OvenHeating    Kind = "oven_heating"
	SensorLost     Kind = "sensor_lost"
	SensorSuspect  Kind = "sensor_suspect"
	ClockNotSet    Kind = "clock_not_set"
	DiskNearlyFull Kind = "disk_nearly_full"
	UnderVoltage   Kind = "under_voltage"
	NobodyWatched  Kind = "nobody_watched" // after an unclean stop
)

// Input is everything the rules may look at for one vessel at one moment.
type Input struct {
	Vessel   string
	Holds    estimator.Holds
	RiseID   int64 // 0 when no rise is watched
	Now      time.Time
	Lead     time.Duration
	Estimate estimator.Estimate
	Steps    []bake.Step
	System   System
}

// System is the state of the machine itself.
type System struct {
	ClockSet      bool
	DiskFreeRatio float64 // 0..1; NaN when unknown
	UnderVoltage  bool
}

// State is where an alarm is in its life.
type State string

// The states of an alarm.
const (
	Pending      State = "pending" // seen, held back until the hold time is over
	Firing       State = "firing"
	Acknowledged State = "acknowledged"
	Snoozed      State = "snoozed"
	Resolved     State = "resolved"
)

// Alarm is one thing to tell, with its life so far. ID is stable: the same
// condition of the same rise keeps it, so that a resend replaces.
type Alarm struct {
	ID           string
	Kind         Kind
	Reason       string // named reason, e.g. "past_mark", "no_rise_left"
	Vessel       string
	RiseID       int64
	State        State
	Since        time.Time // condition first seen
	FiredAt      time.Time
	AckedAt      time.Time
	AckedBy      string
	SnoozedUntil time.Time
	ResolvedAt   time.Time
	Title        string
	Text         string // sentences: what, since when, what to do
	Priority     int    // 1 lowest .. 5 most urgent
	Level        int    // escalation steps taken
	LastSentAt   time.Time
}

// Letter is one message on its way through one channel.
type Letter struct {
	ID        string // stable: alarm ID, channel and escalation level
	AlarmID   string
	Channel   string // channel name from the configuration
	Body      []byte // the Message as JSON
	CreatedAt time.Time
	NotBefore time.Time
	ExpiresAt time.Time
	Attempts  int
	State     string // "waiting", "sent", "failed", "expired", "withdrawn"
	Answer    string // what the server said last, without secrets
	SentAt    time.Time
}

// Store keeps alarms and letters so that they survive a power cut. All methods
// are synchronous: when they return nil, the state is on disk.
type Store interface {
	// SaveAlarm writes the alarm and its new letters in one transaction. A
	// letter whose ID exists already is replaced unless it was sent.
	SaveAlarm(ctx context.Context, a Alarm, letters []Letter) error
	// OpenAlarms returns all alarms that are not resolved, oldest first, and
	// those resolved of rises still under way (so that they do not fire again).
	OpenAlarms(ctx context.Context) ([]Alarm, error)
	// DueLetters returns at most limit waiting letters whose NotBefore has
	// come, oldest first.
	DueLetters(ctx context.Context, now time.Time, limit int) ([]Letter, error)
	// SaveLetter writes the outcome of an attempt.
	SaveLetter(ctx context.Context, l Letter) error
	// WithdrawLetters marks the waiting letters of an alarm as withdrawn.
	WithdrawLetters(ctx context.Context, alarmID string) error
}
