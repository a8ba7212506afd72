package forecast

import (
	"math"
	"math/rand/v2"

	"tidemark/estimator/geometry"
	"tidemark/estimator/kinetics"
)

// Fit is the state of one rise. Make it with [New]. Its memory is bounded; it must
// not be used by two goroutines at once. Times are hours since the start of the
// rise.
type Fit struct {
	profile *geometry.Profile
	belief  belief
	clock   clock
	quantum float64 // step of the sensor, mm; 0 unknown
	readSD  float64 // of one reading, mm

	bins  []bin
	open  bin // the bin that is being filled
	done  int // bins that the members have seen; the others wait for the next Refit
	steps []Step
	moves []float64 // to the cold or back

	missedBins int     // last bins in a row that the curves missed to one side
	lastMiss   float64 // by how many standard deviations the last one

	scale, h0 float64 // nominal start volume, litres, and its level, mm; NaN before the first level
	air0      float64 // first air temperature

	members  []member
	branches []branch
	chance   rand.PCG
	doubts   []float64 // a standard normal for each member, for its error now
	paces    []float64 // and for its speed to come

	now   float64
	news  bool  // something was taken in since
	after clock // the clock at now
	paths paths
}

// New starts a rise. The profile may be nil when only looks by eye are given.
func New(p Prior, profile *geometry.Profile, table *kinetics.Responses) *Fit {
	nan := math.NaN()
	f := &Fit{
		profile: profile, belief: newBelief(&p), clock: newClock(table), scale: nan, h0: nan, air0: nan,
		chance: *rand.NewPCG(1, 2), branches: []branch{{filter: newFilter()}},
		doubts: make([]float64, memberCount), paces: make([]float64, memberCount),
		bins: make([]bin, 0, maxBins), members: nil,
	}
	for i, z := range EvenNormals(memberCount, 2) {
		f.doubts[i], f.paces[i] = z[0], z[1]
	}
	f.newMembers()
	return f
}

// EvenNormals returns n points of as many independent standard normals as there are
// dimensions, spread evenly: an additive recurrence on the root of x^(dims+1) = x + 1.
// None is beyond 3.72.
func EvenNormals(n, dims int) [][]float64 {
	root := 1.0
	for range 100 { // each step halves the error at least
		root = math.Pow(1+root, 1/float64(dims+1))
	}
	points := make([][]float64, n)
	for i := range points {
		points[i] = make([]float64, dims)
		step := 1.0
		for k := range points[i] {
			step /= root
			u := math.Mod(0.5+step*float64(i+1), 1)
			points[i][k] = math.Sqrt2 * math.Erfinv(2*min(max(u, 1e-4), 1-1e-4)-1)
		}
	}
	return points
}

// Temper takes temperatures in Celsius. NaN is not known. Times before the last
// are ignored. No allocation.
func (f *Fit) Temper(at, doughC, airC float64) {
	if finite(doughC) || finite(airC) {
		f.clock.advance(at, notInf(doughC), notInf(airC))
	}
}

func notInf(x float64) float64 {
	if math.IsInf(x, 0) {
		return math.NaN()
	}
	return x
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Level takes a believed level in mm over the floor, with the standard deviation of
// one reading. One older than the last is ignored. No allocation.
func (f *Fit) Level(at, levelMM, sdMM float64) {
	if !finite(levelMM) || at < 0 {
		return
	}
	f.clock.advance(at, math.NaN(), math.NaN())
	ganzle, ctmi := f.clock.equivalent(at)
	if f.open.n > 0 && math.Floor(at/binHours) != math.Floor(f.open.first/binHours) {
		f.close()
	}
	air := f.clock.airC
	if math.IsNaN(f.air0) {
		f.air0 = air
	}
	one := bin{n: 1, at: at, levelMM: levelMM, variance: sdMM * sdMM, first: at, ganzle: ganzle, ctmi: ctmi, air: air}
	if f.open.n == 0 {
		one.stir = f.open.stir
		f.open = one
		return
	}
	f.open.absorb(&one)
}

// close puts the open bin on the list.
func (f *Fit) close() {
	if f.open.n > 0 {
		f.put(f.open)
	}
	f.open = bin{}
}

// put appends a bin.
func (f *Fit) put(b bin) {
	f.news = true
	if len(f.bins) >= maxBins-1 {
		f.digest()
		before := len(f.bins)
		f.bins = mergeBins(f.bins, f.steps)
		if len(f.bins) >= before { // nothing could be merged: the oldest go
			f.bins = f.bins[:copy(f.bins, f.bins[maxBins/8:])]
		}
		f.again()
	}
	if math.IsNaN(f.scale) && !b.look {
		f.h0 = max(b.level(), 1)
		f.scale = max(f.profile.Volume(f.h0), 1e-6)
	}
	b.noise = b.noiseOf(f.quantum, f.readSD)
	f.bins = append(f.bins, b)
}

// digest shows the members the bins that wait.
func (f *Fit) digest() {
	for f.done < len(f.bins) {
		f.extend()
		f.refresh()
	}
}

// Look takes a look by eye: the rise in percent of the start volume with its
// standard deviation in percentage points.
func (f *Fit) Look(at, risePercent, sdPercent float64) {
	if !finite(risePercent) || risePercent < -90 || !(sdPercent > 0) || at < f.clock.at || at < 0 {
		return
	}
	f.clock.advance(at, math.NaN(), math.NaN())
	f.close()
	f.put(bin{n: 1, at: at, first: at, levelMM: 1 + risePercent/100, variance: sdPercent * sdPercent / 1e4,
		ganzle: f.clock.ganzle, ctmi: f.clock.ctmi, air: math.NaN(), look: true})
}

// Stir tells that hands were at the dough, perhaps in it.
func (f *Fit) Stir() {
	f.close()
	f.open.stir = true
}

// Step tells that the level has jumped and stayed: a fold or a move. Bins around it
// are left out.
func (f *Fit) Step(s Step) {
	const margin = 1.5 * binHours
	f.close()
	f.digest()
	if len(f.steps) >= maxSteps {
		return
	}
	kept := f.bins[:0]
	for _, b := range f.bins {
		if b.look || math.Abs(b.meanAt()-s.At) > margin {
			kept = append(kept, b)
		}
	}
	f.bins = kept
	if len(f.bins) == 0 { // it jumped before anything was seen
		f.scale, f.h0 = math.NaN(), math.NaN()
		f.again()
		return
	}
	f.steps = append(f.steps, s)
	f.prune()
	f.resample(f.shares())
	f.compact()
	f.split(len(f.steps)-1, s.Moved)
	f.again()
}

// Cold tells that the vessel went into the refrigerator (in) or came back.
func (f *Fit) Cold(at float64, in bool) {
	f.clock.advance(at, math.NaN(), math.NaN())
	f.clock.move(in)
	f.close()
	if len(f.moves) < maxSteps {
		f.moves = append(f.moves, at)
	}
}

// News reports whether anything was taken in since the last Refit.
func (f *Fit) News() bool { return f.news }

// Refit looks ahead from now, on what was seen up to now.
func (f *Fit) Refit(now float64) {
	f.digest()
	f.news = false
	f.now = max(now, f.clock.at)
	f.after = f.clock
	f.after.advance(f.now, math.NaN(), math.NaN())
	f.paths.fill(f)
}

// again lets all members start over on a changed past. What they weighed for on the
// old one is taken off.
func (f *Fit) again() {
	f.done = len(f.bins)
	for i := range f.branches {
		b := &f.branches[i]
		before := b.logF
		rows := f.rows(b)
		for j := range f.members {
			m := &f.members[j]
			if int(m.branch) != i {
				continue
			}
			was := m.loss + before
			f.set(m)
			m.follow(rows, math.Inf(1))
			m.weight += (was - m.loss - b.logF) / 2
		}
	}
	f.refresh()
}

// Forget takes back the levels from a time on; looks stay. From the start on it
// takes back the steps as well: the first level was no dough.
func (f *Fit) Forget(from float64) {
	f.digest()
	kept := f.bins[:0]
	for _, b := range f.bins {
		if b.look || b.meanAt() < from {
			kept = append(kept, b)
		}
	}
	f.bins, f.open = kept, bin{}
	if from <= 0 {
		f.scale, f.h0 = math.NaN(), math.NaN()
		f.steps, f.moves = f.steps[:0], f.moves[:0]
		f.branches = append(f.branches[:0], branch{filter: newFilter()})
		f.newMembers()
	}
	f.again()
}

// KnowSensor tells the step of the sensor and the standard deviation of one
// reading, mm.
func (f *Fit) KnowSensor(quantumMM, sdMM float64) { f.quantum, f.readSD = quantumMM, sdMM }

// Reading returns the level that the sensor should show at a time, mm, and its
// standard deviation; not ok before a fit.
func (f *Fit) Reading(at float64) (levelMM, sdMM float64, ok bool) {
	if f.paths.rise == nil || f.done == 0 || math.IsNaN(f.scale) {
		return 0, 0, false
	}
	mean, sd := f.moments(func(i int) float64 {
		return (1 + f.riseAt(i, at-f.now)) * (1 + f.members[i].state[sStart])
	})
	level := f.profile.Height(f.scale * mean)
	s := f.scale / f.profile.Area(level)
	bias, _ := f.moments(func(i int) float64 {
		m := &f.members[i].state
		return m[sFloor] + m[sShift] + m[sDome]*f.h0*max(mean-1, 0)
	})
	return level + bias, math.Hypot(s*sd, driftSD), true
}
