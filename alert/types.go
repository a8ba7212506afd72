package alert

import (
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// Input is everything the rules may look at for one vessel at one moment.
type Input struct {
	bake.State
	RiseID int64      // of the rise that its alarms belong to, which may go on to the oven; 0 for none
	Batch  bake.Batch // of the dough; a lean one when it is not known
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
	Unwatched Span
	// Awake is since when the vessel is watched without a break such as a sleep; zero
	// when it always was. A sensor that was not asked before is not lost.
	Awake time.Time
}

// Span is a stretch of time. The zero Span is none.
type Span struct{ From, Until time.Time }

// IsZero reports whether there is no span.
func (s Span) IsZero() bool { return s.From.IsZero() || s.Until.IsZero() }

// What says what happened to an alarm.
type What string

// The things that happen to an alarm.
const (
	WasRaised    What = "raised"
	WasUpdated   What = "updated"   // same alarm, newer text
	WasEscalated What = "escalated" // same alarm, more urgent
	WasResolved  What = "resolved"
	WasRefreshed What = "refreshed" // same alarm, today's figures; nothing to send
)

// Change is one thing that happened to an alarm in one Step.
type Change struct {
	Alarm    Alarm
	What     What
	ClockSet bool // whether the wall clock could be trusted at that moment
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
	SnoozedAt    time.Time // when somebody asked for quiet
	SnoozedUntil time.Time
	ResolvedAt   time.Time
	Title        string
	Text         string // sentences: what, since when, what to do
	Priority     int    // 1 lowest .. 5 most urgent
	Level        int    // escalation steps taken
	LastSentAt   time.Time
}
