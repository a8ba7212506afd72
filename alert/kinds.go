package alert

import "time"

// trait is what is fixed about a kind of alarm.
type trait struct {
	priority   int           // 1..5
	perRise    bool          // raised at most once in a rise
	supersedes []Kind        // open alarms of these kinds end when this one is raised
	spends     []Kind        // these kinds are not raised any more in this rise
	escalates  bool          // repeated until somebody answers
	first      time.Duration // unanswered for this long: first escalation
	lasts      time.Duration // a letter is not worth sending after this
	tellsEnd   bool          // its end is worth a message
}

// Traits is what is always so of each kind of alarm. It is not written to, and may
// be used by many watches.
type Traits map[Kind]trait

// NewTraits returns the table of kinds. The waiting times are common practice for
// a home kitchen, no source.
func NewTraits() Traits {
	return Traits{
		Near: {priority: 3, perRise: true, lasts: 2 * time.Hour},
		Reached: {priority: 4, perRise: true, supersedes: []Kind{Near, LevelsOff}, spends: []Kind{Near, LevelsOff},
			escalates: true, first: 15 * time.Minute, lasts: 6 * time.Hour},
		Over: {priority: 4, perRise: true, supersedes: []Kind{Near, Reached, LevelsOff}, spends: []Kind{Near, LevelsOff},
			escalates: true, first: 10 * time.Minute, lasts: 12 * time.Hour},
		LevelsOff:   {priority: 3, perRise: true, lasts: 6 * time.Hour},
		StarterPeak: {priority: 3, perRise: true, supersedes: []Kind{Near}, spends: []Kind{Near}, lasts: 6 * time.Hour},
		StarterFalling: {priority: 3, perRise: true, supersedes: []Kind{Near, Reached, StarterPeak},
			spends: []Kind{Near, StarterPeak}, lasts: 12 * time.Hour},
		StarterHungry: {priority: 3, perRise: true, supersedes: []Kind{Near, Reached, StarterPeak, StarterFalling},
			spends: []Kind{Near, StarterPeak, StarterFalling}, lasts: 48 * time.Hour},
		StepDue:   {priority: 3, escalates: true, first: 10 * time.Minute, lasts: 3 * time.Hour},
		PlanMoved: {priority: 3, lasts: 6 * time.Hour},
		TooCold:   {priority: 3, lasts: 6 * time.Hour},
		TooHot:    {priority: 4, escalates: true, first: 20 * time.Minute, lasts: 6 * time.Hour},
		OvenHeating: {priority: 5, supersedes: []Kind{TooHot}, escalates: true,
			first: time.Minute, lasts: 12 * time.Hour},
		SensorLost: {priority: 4, supersedes: []Kind{SensorSuspect}, escalates: true,
			first: 20 * time.Minute, lasts: 12 * time.Hour, tellsEnd: true},
		SensorSuspect:  {priority: 3, lasts: 12 * time.Hour},
		ProbeLost:      {priority: 3, lasts: 12 * time.Hour},
		ClockNotSet:    {priority: 2, lasts: 24 * time.Hour},
		DiskNearlyFull: {priority: 3, lasts: 48 * time.Hour},
		UnderVoltage:   {priority: 3, lasts: 48 * time.Hour},
		NobodyWatched:  {priority: 4, lasts: 12 * time.Hour},
	}
}

// Kinds lists every kind, in the order they are looked at.
func Kinds() []Kind {
	return []Kind{OvenHeating, SensorLost, SensorSuspect, ProbeLost, Reached, Over, Near, LevelsOff,
		StarterHungry, StarterFalling, StarterPeak, StepDue, PlanMoved, TooHot, TooCold,
		NobodyWatched, ClockNotSet, DiskNearlyFull, UnderVoltage}
}
