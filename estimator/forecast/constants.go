package forecast

// What was chosen, in one place. Sizes of what sensors, surfaces and hands do are
// judgement of cheap sensors in kitchens, no source; tried on simulated rises of
// another maker (the benchmark of package replay), where they are judged by both
// halves of them.
const (
	// What is no growth.
	startSD     = 0.2   // share of the start volume
	floorSD     = 1.2   // mm
	driftSD     = 0.8   // mm, slow drift of the sensor
	driftHours  = 0.8   // its correlation length
	warmSD      = 1.2   // mm
	warmHours   = 0.4   // time constant
	airSD       = 0.3   // mm per degree
	domeSD      = 0.012 // share of the start height at +100 %
	ballMean    = 0.02  // share of the start height, for each of both: a ball stands too high, not too low
	ballSD      = 0.04  //
	ballFast    = 0.08  // time constants, hours
	ballSlow    = 0.25  //
	unevenSD    = 6.0   // mm, after a fold; 4 left the rise after folds too low in both halves
	unevenHours = 0.15  // time constant
	foldLoss    = 0.15  // of the gas, lost in a fold
	lossDoubt   = 0.12  // doubt of that
	lossBase    = 0.01  // and at least, start volumes
	unseenHours = 0.35  // longer than between bins that were merged
	unseenLoss  = 0.1   // of the gas: how far dough may stray from its curve while nothing is seen
	stirLoss    = 0.08  // doubt of the loss after hands that told nothing, share of the gas
	stirBase    = 0.002 // and at least, start volumes
	stirMM      = 1.5   // and of the surface
	shiftSD     = 10.0  // mm, when sensor or vessel was moved
	coldLoss    = 0.03  // start volumes, on a move to the cold or back
	coldShift   = 1.5   // mm, likewise
	strayBase   = 0.004 // start volumes in a root hour
	strayRise   = 0.012 // and in a root of a start volume's rise
	leastNoise  = 0.002 // start volumes; no bin is known better
	clip        = 4     // the largest innovation that counts in full, standard deviations

	// Dough that no curve follows, collapsing or poked, is believed all the same: after
	// some bins in a row that all curves miss to one side by so many standard deviations,
	// the dough may have strayed from them by as much.
	astraySD   = 2
	astrayBins = 3

	// Bins and steps.
	binHours  = 2.0 / 60
	maxBins   = 320             // memory
	maxNeeded = 3 * maxBins / 4 // bins left after merging
	maxSteps  = 30              // that can be told apart; later ones are folds or moves for certain
	sureStep  = 0.97            // a chance that needs no second branch

	// The ensemble: members, moves of each after a resampling, and the share of effective
	// members under which it is resampled. 400 members and 12 sweeps score alike.
	memberCount = 200
	sweeps      = 6
	thin        = 0.7

	// Growth.
	leakOverWear = 2    // how fast torn walls lose gas against how fast they wear
	longestStep  = 0.06 // of the integration, equivalent hours
	longestSpan  = 240  // of growth between two readings, equivalent hours: a clock that leaps by years costs no time
	speedDoubt   = 0.08 // of a member's growth to come, share

	// Temperature. A trend carried on into the future made two and three hours ahead worse.
	assumedC   = 23.0 // dough never measured in a room never measured
	relaxing   = 0.5  // 1/h: a kilogram of dough in a tub follows the air in about 2 h; learning it gained nothing
	airSettles = 0.75 // hours after which the air by the probe is the refrigerator's

	// The future is looked at on a grid, and in some kitchens: colder and warmer than
	// expected.
	gridCount     = 92
	scenarioCount = 5

	// What a forecast needs.
	leastBins   = 4
	leastHours  = 0.25
	leastChance = 0.2 // below this the times of the few curves that get there mislead

	// What is believed of a household whose past is not known: each rise strays from the
	// household's middle by a share of the general spread, as if learnedCount rises had
	// shown it. Choice, not tuned: half the spread of the world within one kitchen.
	learnedShare = 0.5
	learnedCount = 4
	taughtLooks  = 120 // points of a finished rise that teach

	// How the steepest slope and the highest rise of a classic curve stand to the
	// parameters of this package's curves (measured on draws of them).
	rateOverSlope    = 0.18 // ln of full work over the steepest slope
	ceilingOverLimit = 0.2  // ln of the highest rise over the walls' limit
)

// EndPoints is the rise, in percentage points, that growth has left when it is said to
// have ended. Judgement: less is within what one sees. On 54 simulated rises the end told
// at the doubling is 13 minutes late with 2 and 19 early with 5, against the true peak.
const EndPoints = 3
