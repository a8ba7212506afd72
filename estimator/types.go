package estimator

import "time"

// Event is something a person did to the vessel.
type Event string

// The events a sample may carry.
const (
	NoEvent Event = ""
	Start   Event = "start"   // the rise starts here; the level now is 0 %
	Fold    Event = "fold"    // stretched and folded: the level drops and is uneven
	Fridge  Event = "fridge"  // moved into the cold
	Counter Event = "counter" // moved back to the room
	Look    Event = "look"    // a person looked: Sample.Value is the rise, percent of the start volume
	End     Event = "end"     // the rise is over: shaped, baked or thrown away
)

// Sample is everything known at one moment. Missing measurements are NaN.
type Sample struct {
	Time       time.Time // never runs back; intervals are taken from it
	DistanceMM float64   // sensor face to surface, mm
	SDMM       float64   // standard deviation of DistanceMM if the sensor knows it, else 0
	DoughC     float64   // dough temperature, Celsius
	AirC       float64   // air temperature, Celsius
	Event      Event
	Value      float64 // with a Look: the rise seen, percent of the start volume
}

// Holds says what is in the vessel.
type Holds string

// What a vessel can hold.
const (
	Dough   Holds = "dough"
	Starter Holds = "starter"
)

// Phase is where a rise stands.
type Phase string

// The phases, in the order a rise passes them. Dough: Settling, Lag, Rising,
// Near, Ready, Over, Fallen. Starter: Lag, Rising, Peak, Falling, Hungry.
const (
	Idle     Phase = "idle"     // no rise is being watched
	Settling Phase = "settling" // just filled: the level still finds itself
	Lag      Phase = "lag"
	Rising   Phase = "rising"
	Near     Phase = "near"  // the mark is less than the lead time away
	Ready    Phase = "ready" // at the mark
	Over     Phase = "over"  // past the mark, or no rise left
	Fallen   Phase = "fallen"
	Peak     Phase = "peak"
	Falling  Phase = "falling"
	Hungry   Phase = "hungry"
	Ended    Phase = "ended"
)

// Quality says whether the estimate rests on what the sensor shows now.
type Quality string

// The qualities.
const (
	QualityOK      Quality = "ok"
	QualityGap     Quality = "gap"     // no reading for a while: the estimate is carried on
	QualitySuspect Quality = "suspect" // readings arrive but are not believed
)

// Cause is why the estimate does not rest on what the sensor shows now, and the key of
// the words for it.
type Cause string

// The causes.
const (
	NothingInRange  Cause = "nothing_in_range" // lid off, vessel gone, cable
	TooNear         Cause = "too_near"         // nearer than dough can be: a lid, a hand, a drop
	EmptyVessel     Cause = "empty"            // the floor is seen
	SensorStuck     Cause = "stuck"            // the same reading to the last digit
	VesselMoved     Cause = "moved"            // readings do not agree with those before
	UselessReadings Cause = "useless"          // twice the same moment, or out of order
	NoReading       Cause = "no_reading"
)

// Window is a moment with its doubt: the median and the central 80 % interval.
// A zero Window means there is none.
type Window struct {
	From, Median, Until time.Time
}

// IsZero reports whether there is no window.
func (w Window) IsZero() bool { return w.Median.IsZero() }

// FanPoint is one column of the forecast fan: quantiles of rise in percent.
type FanPoint struct {
	Time                               time.Time
	P10Percent, P50Percent, P90Percent float64
}

// Estimate is what is known about one rise at one moment.
type Estimate struct {
	Time        time.Time
	Started     time.Time // start of the rise; zero while Idle
	BaselineL   float64   // volume at the start, litres; 0 until known
	BaselineSDL float64   // its standard deviation, litres; 0 until known
	LevelMM     float64   // height of the surface above the floor, mm; NaN when never seen
	VolumeL     float64   // litres; NaN when never seen

	RisePercent        float64 // 100*(V/V0-1); NaN when not known
	RiseSD             float64 // standard deviation of RisePercent, percentage points
	RatePercentPerHour float64
	RateSD             float64
	DoughC, AirC       float64 // as believed within the last 20 minutes; NaN when not known

	TargetPercent float64
	Ready         Window    // when the target is, or was, first reached; zero when unknown
	ReadyIsPast   bool      // the target has been reached
	GoodUntil     Window    // when growth ends, or ended: from then on it only gets weaker; zero when unknown
	Even          time.Time // by then the target is reached as likely as not; zero when it most likely never is
	ReachChance   float64   // probability that the target is ever reached, 0..1; NaN before a forecast

	CeilingPercent, CeilingLow, CeilingHigh float64 // median and 80 % interval of the final rise; NaN before a forecast
	CarryOverPercent                        float64 // further rise if moved to the fridge now, percentage points; NaN when unknown
	Exhausted                               bool    // growth is ending: no rise left to speak of
	LevelsOffShort                          bool    // the target will most likely not be reached
	Fan                                     []FanPoint

	PeakPercent float64   // highest rise so far; NaN when none
	PeakAt      time.Time // when; zero when none

	Phase      Phase
	PhaseSince time.Time

	Quality       Quality
	QualityReason Cause     // empty while the quality is ok
	LastSeen      time.Time // last believed level reading; zero when never

	EquivalentHours float64 // growth time so far at 24 C
	Rejected        map[string]int
	LookRequest     LookRequest // a look by eye would help
	Notes           []Note      // the latest jumps of the level, and what they were taken for
}
