package estimator

// What was chosen, in one place. Heights in mm, times in hours, rises in percentage
// points unless said otherwise. "Tuned" is: on invented rises of this project's own;
// "judgement" is: no source.
const (
	// From readings to levels. Judgement, after common sensors and kitchens.
	bucketHours   = 30.0 / 3600 // one step of the level filter
	emptyMM       = 8           // a vessel with less in it counts as empty
	sentinelMM    = 8190        // least code of optical sensors for "nothing in range" (public driver issue of 2018)
	minDistanceMM = 15          // nearer than the usual sensors can measure (20 mm by an ultrasonic module's sheet)
	rateDrift     = 0.09        // 1 sd of the rate's change in an hour, shares of the start level per hour; growth curves: up to 0.17
	carryAfter    = 10.0 / 60   // after so long without a level the forecast stands in for the filter
	carryAgain    = 5.0 / 60    // and again
	lookSD        = 0.03        // 1 sd of a look by eye, share of the volume: marks on a tub are told to a few mm

	// Hands, gaps and steps. Tuned.
	settleHours   = 10.0 / 60   // steps this early are hands at the start, not folds
	handledHours  = 20.0 / 60   // after a told fold a drop is believed quickly
	patienceHours = 15.0 / 60   // longer than a lid is off
	blindHours    = 5.0 / 60    // what happened in a gap this long was not watched
	longBlind     = 45.0 / 60   // dough can have collapsed unseen
	fastest       = 0.5         // growth unseen at most, share of the level an hour
	stillGrows    = 0.6         // share of the mean speed in a gap that growth has after it
	lidOnShare    = 0.25        // a jump up by so much of the level, from lidOnMM at least,
	lidOnMM       = 15          // in the first minutes is no hand taken away
	acquireHours  = 20.0 / 3600 // readings that agree over so long are a level
	pendingMean   = 8           // pending readings in a mean of them

	// A pause in the first half of a rise in which something else than dough was seen:
	// the dough may have been folded without a word (common practice, no source).
	pauseLeast = 1.2 / 60
	pauseMost  = 15.0 / 60
	pauseLevel = 1.5 // start volumes

	// The chance that a step is a moved sensor or vessel, before the forecast weighs it.
	// Tuned: folds are done by hands, early, and leave at least the gas-free dough.
	surelyMoved   = 1.0
	movedClean    = 0.85 // late in the rise, no hands seen
	movedEarly    = 0.3  // early, no hands seen
	movedHands    = 0.1  // hands seen
	movedTooLow   = 0.97 // lower than folded dough can lie
	movedInGap    = 0.3
	movedStarter  = 0.6  // nobody folds it, somebody may stir it
	foldLeast     = 0.93 // of the start level
	foldLeastTold = 0.78 // folded into a ball with dents, it can stand lower than poured

	// The sensor's noise, and when it hangs. Tuned.
	minNoiseMM     = 0.1
	maxNoiseMM     = 12
	defaultNoiseMM = 1.5
	flatChance     = 1e-4 // of so long a run of one value by noise
	flatReadings   = 6
	flatHours      = 2.5 / 60
	learntReadings = 30   // before that the noise is not known well enough
	leastWide      = 4    // steps over more than one value that show a sensor to scatter
	wideShare      = 0.02 // of its readings

	// Temperatures believed, Celsius; common practice, no source.
	coldestC, hottestC = -20, 70
	oddJumpC           = 6         // needs a second and third reading: a probe pulled out of the dough is a real change
	thermoFresh        = 20.0 / 60 // dough changes by a degree or so in that time

	// When the forecast is asked again.
	refitHours = 2.0 / 60
	refitHasty = 5.0 / 60 // while catching up
	fanHours   = 3.0 / 60 // fan and carry-over are dear and change slowly
	fanColumns = 28

	// What rates and falls count for. Tuned.
	rateContradicts = 3        // sd between the filter's rate and the forecast's
	stirsAgain      = 0.5      // hours of growth ahead that take back an end seen: the forecast's grid
	refindHours     = 5.0 / 60 // after a gap the filter finds its level first
	liveFall        = 0.02     // of the volume must be seen to fall: a sensor moved unseen falls no further

	// Phases of a dough. Tuned.
	doughLagPoints = 3
	realRise       = 15       // less is no rise that could end
	risingHours    = 4.0 / 60 // the rise must be seen so long
	nearHours      = 2.0 / 60 // a single bad forecast does not last as long
	farHours       = 10.0 / 60
	markHours      = 1.5 / 60
	backPoints     = 8    // under the mark again
	overPoints     = 15   // past the mark is over
	overGrowth     = 0.5  // growth-hours at the mark are over
	fallenShare    = 0.06 // of the highest volume
	fallenCold     = 0.16 // chilled gas shrinks and dissolves: no collapse
	fallenHours    = 8.0 / 60

	// Phases of a starter. Tuned; hungry is common practice, no source.
	starterLagPoints = 4
	peakShare        = 0.12 // rate against the best
	peakHours        = 5.0 / 60
	againHours       = 15.0 / 60 // a second rise must last
	fallingShare     = 0.03      // of the highest volume
	fallingHours     = 6.0 / 60
	hungryLoss       = 1.0 / 3 // of the rise at the peak
	hungryGrowth     = 4       // growth-hours after the peak

	// The end of growth, and a rise that stays short. Tuned.
	endShare    = 0.18 // rate against the best at the same temperature
	endPoints   = 8    // rise left by the forecast's upper quantile
	endHours    = 20.0 / 60
	endCalm     = 30.0 / 60 // since a fold
	shortChance = 0.12
	shortAgain  = 0.35      // chance that takes it back
	shortGrowth = 2         // growth-hours before a rise can be called short
	shortCalm   = 75.0 / 60 // since a fold, whose dents look like slow growth at first
	deadGrowth  = 6         // growth-hours without a rise: it will not come
	deadPoints  = 8

	// When a look by eye is asked for. Judgement: early enough to act on, late enough
	// for the start to weigh little.
	lookFrom      = 0.4 // of the mark
	lookUntil     = 0.6
	lookNarrows   = 0.85     // of the doubt, at most
	lookLeast     = 5.0 / 60 // doubt that is too little to ask for
	lookAfterStep = 2.0

	// z90 is the normal quantile of 0.9: an 80 % interval reaches so many sd to each side.
	z90 = 1.2816
)

// minutes as hours.
func minutes(m float64) float64 { return m / 60 }
