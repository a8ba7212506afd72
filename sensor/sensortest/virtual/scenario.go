package virtual

import (
	"time"
)

// Event is something that a person of the scenario does to a vessel.
type Event struct {
	At     time.Time
	Vessel string
	Kind   string // start, fold or end
	Text   string // in words, for the demo's log
}

// Vessel is one jar or tub with its sensors and what is in it.
type Vessel struct {
	Name    string
	Holds   string       // dough or starter
	FloorMM float64      // sensor face to the empty vessel's floor
	Profile [][2]float64 // height in mm, volume in litres; straight lines in between
	FillL   float64      // volume right after mixing or feeding
	StartC  float64      // its temperature then

	// How its contents ferment, at 24 C.
	Cells     float64 // cells at the start, as a share of what the food could feed
	Growth    float64 // specific growth with plenty of food, per hour
	Gas       float64 // volume of gas for each volume of dough, made in an hour by a full population
	Hold      float64 // gas in volumes of dough at which half of the newly made escapes
	LeakPerH  float64 // share of the held gas that escapes in an hour, ripe; fresh dough hardly leaks
	CoolHours float64 // time constant to the air around it
	Spread    float64 // mm by which it stands too high at first, being a ball

	// What its sensors are like.
	NoiseMM   float64 // standard deviation of one distance
	MissRatio float64 // share of readings that fail
	RimRatio  float64 // share of readings that see the rim
}

// lidOff is a stretch of time in which the sensor does not look at the vessel.
type lidOff struct {
	Vessel      string
	From, Until time.Time
}

// room is the air of the kitchen.
type room struct {
	MeanC    float64     // over a day
	SwingC   float64     // half of the difference between the warmest and the coldest hour
	WarmHour float64     // hour of the day when it is warmest, 0 to 24
	Draughts []time.Time // when a window is opened, for eight minutes each
	DropC    float64     // how far the air would fall if the window stayed open
}

// Scenario is a kitchen with a story.
type Scenario struct {
	Title   string
	Start   time.Time // when the story begins
	Until   time.Time // when nothing more happens
	Room    room
	Vessels []Vessel
	Events  []Event // sorted by time
	LidsOff []lidOff
}

// Household is the story of the demo, wholly invented: a small household feeds
// a jar of rye starter early, mixes a tub of dough with it before noon, folds it
// three times, airs the kitchen, shapes late in the afternoon, and keeps a piece
// of the shaped dough in a small cup. It begins at seven in the morning of day,
// in day's zone, and lasts eleven hours; what is done to the cup comes after.
func Household(day time.Time) Scenario {
	at := func(hour, minute int) time.Time {
		return time.Date(day.Year(), day.Month(), day.Day(), hour, minute, 0, 0, day.Location())
	}
	return Scenario{
		Title: "Invented household: a jar of rye starter and a tub of dough",
		Start: at(7, 0), Until: at(18, 0),
		Room: room{MeanC: 23.4, SwingC: 1.3, WarmHour: 16,
			Draughts: []time.Time{at(14, 20)}, DropC: 7},
		Vessels: []Vessel{ryeJar(), breadTub(), sampleCup()},
		Events: []Event{
			{at(7, 5), "jar", "start", "The rye starter is fed and stirred."},
			{at(11, 35), "jar", "end", "Most of the starter goes into the dough."},
			{at(11, 45), "tub", "start", "The dough is mixed and put into the tub."},
			{at(12, 20), "tub", "fold", "First fold."},
			{at(12, 55), "tub", "fold", "Second fold."},
			{at(13, 30), "tub", "fold", "Third fold."},
			{at(17, 40), "tub", "end", "The dough is turned out and divided."},
			{at(18, 24), "cup", "start", "A piece of the shaped dough goes into the sample cup."},
			{at(20, 45), "cup", "end", "The sample cup is emptied."},
		},
		LidsOff: []lidOff{
			{"jar", at(9, 10), at(9, 13)},
			{"tub", at(12, 19), at(12, 22)},
			{"tub", at(12, 54), at(12, 57)},
			{"tub", at(13, 29), at(13, 32)},
			{"tub", at(15, 30), at(15, 34)},
		},
	}
}

// ryeJar is a straight jar of 85 mm bore.
func ryeJar() Vessel {
	return Vessel{
		Name: "jar", Holds: "starter", FloorMM: 170, StartC: 25,
		Profile: [][2]float64{{0, 0}, {150, 0.851}}, FillL: 0.26,
		Cells: 0.17, Growth: 0.55, Gas: 1.3, Hold: 1.6, LeakPerH: 1.3, CoolHours: 0.8, Spread: 2,
		NoiseMM: 1.1, MissRatio: 0.012, RimRatio: 0.002,
	}
}

// breadTub is a tub that widens upwards.
func breadTub() Vessel {
	return Vessel{
		Name: "tub", Holds: "dough", FloorMM: 240, StartC: 25.5,
		Profile: [][2]float64{{0, 0}, {50, 1.0}, {100, 2.2}, {150, 3.6}, {200, 5.2}}, FillL: 1.55,
		Cells: 0.075, Growth: 0.5, Gas: 0.82, Hold: 2.6, LeakPerH: 0.35, CoolHours: 2.6, Spread: 9,
		NoiseMM: 1.6, MissRatio: 0.015, RimRatio: 0.004,
	}
}

// sampleCup holds a piece of the shaped dough: it has risen before, so many
// cells are at work, and so small a mass follows the air quickly.
func sampleCup() Vessel {
	return Vessel{
		Name: "cup", Holds: "dough", FloorMM: 120, StartC: 25.5,
		Profile: [][2]float64{{0, 0}, {100, 0.25}}, FillL: 0.1,
		Cells: 0.34, Growth: 0.4, Gas: 0.85, Hold: 2.4, LeakPerH: 0.35, CoolHours: 0.5, Spread: 1,
		NoiseMM: 0.9, MissRatio: 0.012, RimRatio: 0.002,
	}
}
