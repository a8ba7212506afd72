package alert

import "time"

// Kind names what an alarm is about. It appears in the replay output, the API
// and metrics, so it never changes its spelling.
type Kind string

// The kinds.
const (
	Near           Kind = "near"
	Reached        Kind = "reached"
	Over           Kind = "over" // past the target, or no rise left
	LevelsOff      Kind = "levels_off"
	StarterPeak    Kind = "starter_peak"
	StarterFalling Kind = "starter_falling"
	StarterHungry  Kind = "starter_hungry"
	StepDue        Kind = "step_due"
	PlanMoved      Kind = "plan_moved" // the bread of a plan will be ready at another time
	LookDue        Kind = "look"       // no sensor sees the level: a person should look
	InTime         Kind = "in_time"    // to be done before nobody is there any more
	TooCold        Kind = "too_cold"
	TooHot         Kind = "too_hot"
	OvenHeating    Kind = "oven_heating"
	SensorLost     Kind = "sensor_lost"
	SensorSuspect  Kind = "sensor_suspect"
	ProbeLost      Kind = "probe_lost" // a thermometer gives nothing
	ClockNotSet    Kind = "clock_not_set"
	DiskNearlyFull Kind = "disk_nearly_full"
	UnderVoltage   Kind = "under_voltage"
	NobodyWatched  Kind = "nobody_watched" // after an unclean stop
)

// Kinds returns every kind, in the order their alarms are told.
func Kinds() []Kind {
	var out []Kind
	for _, p := range policies() {
		out = append(out, p.kind)
	}
	return out
}

// policy is what is fixed about a kind of alarm.
type policy struct {
	kind       Kind
	rule       rule
	ofRise     bool          // asked only while a rise is watched, and over with it
	priority   int           // 1..5
	breaks     bool          // told in quiet hours too, unless the household says otherwise
	perRise    bool          // raised at most once in a rise
	supersedes []Kind        // open alarms of these kinds end when this one is raised, see retire
	repeat     time.Duration // unanswered for this long: told again, then ever sooner; 0: told once
	lasts      time.Duration // a notification is not worth sending after this
	tellsEnd   bool          // its end is worth a message
	curve      bool          // the curve of the rise helps
}

// policies returns the table of kinds, in the order their alarms are told. The waiting
// times are common practice for a home kitchen, no source.
func policies() []policy {
	const h, m = time.Hour, time.Minute
	return []policy{
		{kind: OvenHeating, rule: one(ovenHeating), ofRise: true, priority: 5, breaks: true, supersedes: []Kind{TooHot}, repeat: m, lasts: 12 * h},
		{kind: SensorLost, rule: one(sensorLost), ofRise: true, priority: 4, supersedes: []Kind{SensorSuspect}, repeat: 20 * m, lasts: 12 * h, tellsEnd: true},
		{kind: SensorSuspect, rule: one(sensorSuspect), ofRise: true, priority: 3, lasts: 12 * h},
		{kind: ProbeLost, rule: probeLost, ofRise: true, priority: 3, lasts: 12 * h},
		{kind: Reached, rule: one(reached), ofRise: true, priority: 4, breaks: true, perRise: true, supersedes: []Kind{Near, LevelsOff},
			repeat: 15 * m, lasts: 6 * h, curve: true},
		{kind: Over, rule: one(over), ofRise: true, priority: 4, breaks: true, perRise: true, supersedes: []Kind{Near, Reached, LevelsOff},
			repeat: 10 * m, lasts: 12 * h, curve: true},
		{kind: Near, rule: one(near), ofRise: true, priority: 3, breaks: true, perRise: true, lasts: 2 * h, curve: true},
		{kind: LevelsOff, rule: one(levelsOff), ofRise: true, priority: 3, perRise: true, lasts: 6 * h, curve: true},
		{kind: StarterHungry, rule: one(starterHungry), ofRise: true, priority: 3, perRise: true, supersedes: []Kind{Near, Reached, StarterPeak, StarterFalling},
			lasts: 48 * h, curve: true},
		{kind: StarterFalling, rule: one(starterFalling), ofRise: true, priority: 3, perRise: true, supersedes: []Kind{Near, Reached, StarterPeak},
			lasts: 12 * h, curve: true},
		{kind: StarterPeak, rule: one(starterPeak), ofRise: true, priority: 3, perRise: true, supersedes: []Kind{Near}, lasts: 6 * h, curve: true},
		{kind: StepDue, rule: stepsDue, priority: 3, breaks: true, repeat: 10 * m, lasts: 3 * h},
		{kind: PlanMoved, rule: one(planMoved), priority: 3, lasts: 6 * h, curve: true},
		{kind: LookDue, rule: one(lookDue), ofRise: true, priority: 3, lasts: 2 * h},
		{kind: InTime, rule: one(inTime), priority: 3, lasts: 2 * h, curve: true},
		{kind: TooHot, rule: one(tooHot), ofRise: true, priority: 4, breaks: true, repeat: 20 * m, lasts: 6 * h},
		{kind: TooCold, rule: one(tooCold), ofRise: true, priority: 3, lasts: 6 * h},
		{kind: NobodyWatched, rule: nobodyWatched, priority: 4, lasts: 12 * h, curve: true},
		{kind: ClockNotSet, rule: one(clockNotSet), priority: 2, lasts: 24 * h},
		{kind: DiskNearlyFull, rule: one(diskNearlyFull), priority: 3, lasts: 48 * h},
		{kind: UnderVoltage, rule: one(underVoltage), priority: 3, lasts: 48 * h},
	}
}

// policyOf returns the policy of a kind; an empty one for a test message.
func policyOf(k Kind) policy {
	for _, p := range policies() {
		if p.kind == k {
			return p
		}
	}
	return policy{}
}

// wordEvery is how often an open alarm of the kind is worded anew.
func (p policy) wordEvery() time.Duration {
	if p.repeat > 0 {
		return min(5*time.Minute, p.repeat)
	}
	return 5 * time.Minute
}

// ofMachine reports whether a kind is about the machine and not a vessel.
func ofMachine(k Kind) bool { return k == ClockNotSet || k == DiskNearlyFull || k == UnderVoltage }

// Limits and hold times of the rules: common practice in a home kitchen, no source.
const (
	leadDefault      = 30 * time.Minute // of the near warning
	nearHold         = 2 * time.Minute
	movedBy          = 10 * time.Minute // a near warning is told anew when its time moves by this
	reachedHold      = 30 * time.Second
	overHold         = 5 * time.Minute
	overWorse        = 15.0 // percent further: told again, more urgently
	levelsOffHold    = 10 * time.Minute
	creepsHold       = 30 * time.Minute
	creepsChance     = 0.5 // of ever reaching the target
	stallChance      = 0.8 // under this the near warning says that it may stall
	starterHold      = 5 * time.Minute
	tooHotC          = 32.0
	tooHotHold       = 5 * time.Minute
	tooColdC         = 16.0
	hardlyMovesC     = 12.0
	tooColdHold      = 15 * time.Minute
	hysteresisC      = 1.0
	fridgeAirC       = 9.0  // air this cold is a fridge, whatever was told
	ovenLimitC       = 45.0 // hotter than any proofing place
	ovenRearm        = 15 * time.Minute
	lostAfterDefault = 5 * time.Minute
	suspectHold      = 10 * time.Minute
	probeAfter       = 15 * time.Minute // a bad plug shows within minutes, and the rise is watched meanwhile
	clockHold        = 5 * time.Minute
	diskFreeRatio    = 0.05
	powerHold        = 10 * time.Second
	recoveredAfter   = 5 * time.Minute // a fault must be gone this long to be over

	unwatchedLeast = 2 * time.Minute  // the shortest span worth a message
	unwatchedWait  = 3 * time.Minute  // for a first reading after the start
	unwatchedTold  = 30 * time.Minute // after the start it is not worth one any more

	inTimeHold = 10 * time.Minute // the forecast moves by the minute

	planMovedBy   = 30 * time.Minute // told beyond this
	planMovedBack = 15 * time.Minute // over below this
	planMovedStep = 30 * time.Minute // told anew in steps of this
	planMovedHold = 10 * time.Minute
)

// The named reasons an alarm of a kind may carry.
const (
	PastMark      = "past_mark"       // over: more work than the dough stands until the oven
	noRiseLeft    = "no_rise_left"    // over: growth is ending
	fellBack      = "fell_back"       // over: the surface sinks again
	withinLead    = "within_lead"     // near
	atMark        = "at_mark"         // reached
	endsBelowMark = "ends_below_mark" // levels_off
	mayEndBelow   = "may_end_below"   // levels_off: creeping
	doughHot      = "dough_hot"       // too_hot
	doughCold     = "dough_cold"      // too_cold
	hardlyMoves   = "hardly_moves"    // too_cold: so cold that it stands nearly still
	heatsTooFast  = "heats_too_fast"  // oven_heating
	beyondLimit   = "beyond_limit"    // oven_heating
	noReading     = "no_reading"      // sensor_lost
	notBelieved   = "not_believed"    // sensor_suspect
	byTime        = "by_time"         // starter_hungry: not seen, but its usual time is up
	InCold        = "in_cold"         // starter_hungry: kept cold and due for its feed
	askedToLook   = "asked"           // look
	readyLater    = "later"           // plan_moved
	readySooner   = "sooner"          // plan_moved
)
