package forecast

// The sizes of what is no growth. Judgement of cheap sensors in kitchens unless a
// source is named; tried on invented rises of several makers (see doc.go).
const (
	startSD     = 0.2   // share of the start volume
	floorSD     = 1.2   // mm
	wanderSD    = 0.8   // mm
	wanderHours = 0.8   // correlation length
	warmSD      = 1.2   // mm
	warmHours   = 0.4   // time constant
	airSD       = 0.3   // mm per degree
	domeSD      = 0.012 // share of the start height at +100 %
	ballMean    = 0.02  // share of the start height, for each of both: a ball stands too high, not too low
	ballSD      = 0.04  //
	ballFast    = 0.08  // time constants, hours
	ballSlow    = 0.25  //
	unevenSD    = 4.0   // mm, after a fold
	unevenHours = 0.15  // time constant
	foldLoss    = 0.15  // of the gas, lost in a fold
	lossDoubt   = 0.12  // doubt of that
	lossBase    = 0.01  // and at least, start volumes
	stirLoss    = 0.08  // doubt of the loss after hands that told nothing, share of the gas
	stirBase    = 0.002 // and at least, start volumes
	stirMM      = 1.5   // and of the surface
	shiftSD     = 10.0  // mm, when sensor or vessel was moved
	coldLoss    = 0.03  // start volumes, on a move to the cold or back
	coldShift   = 1.5   // mm, likewise
	strayBase   = 0.004 // start volumes in a root hour
	strayRise   = 0.012 // and in a root of a start volume's rise
	leastNoise  = 0.002 // start volumes; no bin is known better
	speedDoubt  = 0.08  // of a member's growth to come, share
)

// How the steepest slope and the highest rise of a classic curve stand to the
// parameters of this package's curves (measured on draws of them).
const (
	rateOverSlope    = 0.1 // ln of full work over the steepest slope
	ceilingOverLimit = 0.2 // ln of the highest rise over the walls' limit
)
