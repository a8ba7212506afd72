package estimator

import "math"

// noise learns the sensor's spread and step size from its own readings. It
// outlives a rise: the sensor stays the same.
type noise struct {
	variance float64 // of one reading around the filter, mm^2
	n        float64 // readings that went in, up to a limit
	quantum  float64 // smallest step seen between readings, mm; 0 unknown

	lastMM  float64 // last raw distance
	lastAt  float64 // its time, hours
	haveRaw bool
	hung    bool    // the present run was called stuck
	run     int     // length of the run of identical readings
	runFrom float64 // its start, hours
	longest float64 // longest run that ended by itself, hours

	runVariance float64 // variance when the run began: a hanging sensor teaches that it has no noise
	reads, wide float64 // raw readings, and those more than one step from the one before
}

// newNoise starts from what the sensor's maker or the user says.
func newNoise(sdMM float64) noise {
	if sdMM <= 0 {
		sdMM = defaultNoiseMM
	}
	sdMM = min(max(sdMM, minNoiseMM), maxNoiseMM)
	return noise{variance: sdMM * sdMM}
}

// sd is the standard deviation of one reading, mm.
func (n *noise) sd() float64 { return math.Sqrt(n.variance) }

// learn takes the distance of an accepted reading from the filter's
// prediction, whose own variance is taken off. The miss is clipped at three
// standard deviations: a spike must not widen the gate that should stop it.
func (n *noise) learn(miss, predictionVar float64) {
	n.n = min(n.n+1, 300)
	clipped := min(miss*miss, 9*(n.variance+predictionVar))
	v := max(clipped-predictionVar, 0)
	n.variance += (v - n.variance) / (n.n + 6)
	n.variance = min(max(n.variance, minNoiseMM*minNoiseMM), maxNoiseMM*maxNoiseMM)
}

// saw follows runs of identical readings and the smallest step, on raw
// distances at time t in hours, which come every interval hours. A run does not
// reach over a gap, and one that was called stuck and then broke off with a jump
// is no measure of how long the sensor rests on one value.
func (n *noise) saw(distanceMM, t, interval float64) {
	blind := n.haveRaw && t-n.lastAt > max(blindHours, 5*interval)
	n.lastAt = t
	n.reads++
	if n.haveRaw && distanceMM == n.lastMM && !blind {
		n.run++
		return
	}
	if n.haveRaw {
		step := math.Abs(distanceMM - n.lastMM)
		if step > 1e-6 && step < 50 && (n.quantum == 0 || step < n.quantum) {
			n.quantum = step
		}
		if !blind && step > 1.9*n.quantum && step < 3.5*n.quantum {
			n.wide++
		}
		if !blind && (!n.hung || step < 1.01*n.quantum) {
			n.longest = max(n.longest, t-n.runFrom)
		}
	}
	n.lastMM, n.haveRaw, n.run, n.runFrom, n.hung = distanceMM, true, 1, t, false
	n.runVariance = n.variance
}

// flat reports whether the readings have not changed for far longer than
// this sensor usually rests on one value: growth may have stopped, or the sensor
// hangs. Rules that would call it the end of growth wait.
func (n *noise) flat(t float64) bool {
	span := t - n.runFrom
	return n.haveRaw && n.run >= 4 && span > minutes(8) && span > 4*n.longest+minutes(2)
}

// scatters reports whether the noise is plainly larger than the step: readings
// then skip a step now and then. A quiet sensor goes to and fro between two values
// at most, and between two of its steps it rests on one for as long as it likes.
func (n *noise) scatters() bool { return n.wide >= max(leastWide, wideShare*(n.reads-float64(n.run))) }

// usual is the variance of a reading while the sensor does not hang, mm^2.
func (n *noise) usual() float64 {
	if n.scatters() {
		return max(n.variance, n.runVariance)
	}
	return n.variance
}

// flatLine reports whether the present run of identical readings is implausible:
// the chance that noise rounds to the same value so often is below 1 in
// 10,000. A sensor whose step is coarse against its noise rests on one value
// for long by nature, and the test then needs a very long run or never fires.
func (n *noise) flatLine(t float64) bool {
	if n.n < learntReadings || n.run < flatReadings || t-n.runFrom < max(flatHours, 1.5*n.longest) || n.quantum == 0 {
		return false
	}
	return float64(n.run)*math.Log(n.sameChance()) < math.Log(flatChance)
}

// sameChance is the chance that two readings of a level in the middle of a
// step come out alike: the highest it can be. Where the noise is small against
// the step, its estimate depends on where in the step the level stood, and only
// half of it is trusted.
func (n *noise) sameChance() float64 {
	q := n.quantum
	own := math.Sqrt(max(n.usual()-q*q/12, 0.0025*q*q, minNoiseMM*minNoiseMM/4))
	trust := min(max((own/q-0.25)/0.2, 0), 1)
	own *= 0.5 + 0.5*trust
	return math.Erf(q / 2 / (math.Sqrt2 * own))
}
