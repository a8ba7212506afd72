package estimator

import (
	"math"
	"time"

	"tidemark/estimator/forecast"
)

// acquiring is why a level is acquired anew.
type acquiring int

const (
	tracking     acquiring = iota
	acquireStart           // nothing known yet
	acquireFold            // told of a fold
	acquireMove            // told of a move into or out of the cold
)

// rise is one watched rise: the level as read, its gate, and the forecast that is
// fed with it. Times are hours on the estimator's clock.
type rise struct {
	cfg    *Config
	fit    *forecast.Fit
	active bool
	start  float64

	acquiring   acquiring
	acquireFrom float64
	pend        pending

	kf       trend
	kfOn     bool
	kfAt     float64
	calm     trend // the filter when the reading last changed
	calmAt   float64
	bucket   bucket
	bucketR  float64 // variance of a bucket's mean around the filter, mm^2
	bucketN  float64
	bucketAt float64 // time of the last one
	base     mean    // level of the first minutes, mm
	baseAt   float64
	track    track

	lastStep  step
	foldTold  float64 // hours; -Inf when never
	messAt    float64 // last reading that agreed with nothing
	hands     bool    // something else than dough was seen since the last bucket
	goodAt    float64 // last reading that agreed with the prediction
	goodMM    float64 // the filter's level then
	carriedAt float64 // last time the forecast stood in for the filter; -Inf never
	lastShift float64 // last time the level was knocked or moved
	grewUntil float64 // when growth was found to have ended; 0 while it goes on
	grewTo    float64 // the rise then, percent
	stepped   float64 // last step found whose cause is open; -Inf none
	cold      bool
	coldAt    float64
	tableC    float64 // smoothed dough temperature for the table of marks, NaN unknown
	tableAt   float64
	lookAt    float64 // last look by eye; -Inf never

	urgent bool // something other than another level was seen: refit now
	notes  notes
}

// bucket is the mean of the believed readings of half a minute. One update of
// the filter per bucket makes 1 s, 10 s and 60 s sampling behave alike.
type bucket struct {
	n           int
	level, when float64 // running means
	index       int64
}

// mean is a running mean.
type mean struct{ n, level float64 }

func (m *mean) add(level float64) {
	m.n++
	m.level += (level - m.level) / m.n
}

// step is a jump of the level that was believed.
type step struct {
	sizeMM float64
	at     float64
	moved  bool // more likely the sensor or vessel than the dough
}

// newRise starts a rise at t.
func newRise(cfg *Config, fit *forecast.Fit, t float64, n *noise) rise {
	never := math.Inf(-1)
	return rise{
		cfg: cfg, fit: fit, active: true, start: t, acquiring: acquireStart, acquireFrom: t,
		foldTold: never, lastShift: never, messAt: never, carriedAt: never, stepped: never, lookAt: never, tableC: math.NaN(),
		bucketR: max(n.variance/4, 0.04), track: newTrack(),
	}
}

// consensus is a level on which readings agree: mm, hours of the latest, mm^2.
type consensus struct{ level, at, variance float64 }

// startFilter begins the level filter anew around a level.
func (r *rise) startFilter(c consensus) {
	scale := max(c.level, 20)
	r.kf = newTrend(0, rateDrift*rateDrift*scale*scale, 0.15*scale)
	r.kf.update(c.level, max(c.variance, 0.04))
	r.kfOn, r.kfAt = true, c.at
	r.bucket = bucket{}
}

// take judges a level (floor distance minus reading, mm) at t.
func (r *rise) take(level, t float64, n *noise, interval float64) reason {
	if n.run <= 1 {
		r.calm, r.calmAt = r.kf, r.kfAt
	}
	if r.acquiring != tracking {
		return r.acquireLevel(level, t, n)
	}
	pred, variance := r.predict(t)
	if level < min(emptyMM, 0.3*r.base.level) {
		return rEmpty
	}
	miss := level - pred
	// A prediction grown vague in a gap must not open the gate to a hand.
	doubt := min(variance, max(4*r.bucketR, 1))
	within := max(4.5*math.Sqrt(doubt+n.variance), 2.5, 1.5*min(n.quantum, 10))
	if t-r.goodAt > carryAfter {
		within *= 2.0 / 3 // after a gap a step is likelier
	}
	if math.Abs(miss) <= within && !r.pend.claims(level, pred, agreeWithin(n)) && !r.pend.outvotes(pred, within+4*n.sd()) {
		n.learn(miss, variance)
		r.believed(t)
		r.gather(level, t, interval, n)
		return accepted
	}
	if !r.pend.add(level, t, agreeWithin(n), 0.5*60, min(max(r.kf.rate, 0), 0.5*pred)) {
		r.messAt = t
	}
	if !r.stepConfirmed(t) {
		return rSpike
	}
	r.takeStep(t, n)
	r.believed(t)
	return accepted
}

// believed notes a reading that was believed.
func (r *rise) believed(t float64) {
	if t-r.goodAt > blindHours {
		r.track.sighted(t)
	}
	r.goodAt, r.goodMM = t, r.kf.level
}

// carryTo lets the filter go on from what the forecast says of the level. Its
// doubt is at least a share of the growth foreseen since the last reading.
func (r *rise) carryTo(level, sdMM, t float64) {
	sdMM = max(sdMM, 0.01*level, 0.25*math.Abs(level-r.goodMM), 0.5)
	r.kf.predict(max(t-r.kfAt, 0))
	r.kf.jumpTo(level, sdMM*sdMM)
	r.kfAt, r.carriedAt = t, t
}

// unsee takes back what was believed from the last change of reading on.
func (r *rise) unsee(from float64) {
	if !r.active || r.acquiring != tracking || r.calmAt == 0 || r.calmAt > from {
		return
	}
	r.kf, r.kfAt = r.calm, r.calmAt
	r.goodAt, r.goodMM = r.kfAt, r.kf.level
	r.bucket, r.pend = bucket{}, pending{}
	r.fit.Forget(from - r.start)
	r.track.reseen(r.cfg.Profile.Volume(r.kf.level), r.kfAt)
}

// predict is the level and its variance at t.
func (r *rise) predict(t float64) (levelMM, variance float64) {
	f := r.kf
	f.predict(max(t-r.kfAt, 0))
	return f.level, f.p11
}

// acquire makes the next readings count only once they agree.
func (r *rise) acquire(why acquiring, t float64) {
	r.acquiring, r.acquireFrom = why, t
	r.pend = pending{}
	r.bucket = bucket{}
}

// acquireLevel handles readings while the level is looked for.
func (r *rise) acquireLevel(level, t float64, n *noise) reason {
	r.pend.add(level, t, agreeWithin(n), 0.5*60, 0)
	p := r.pend
	if p.n < 3 || p.span() < acquireHours || !r.plausible(p.level, t) {
		return rHandling
	}
	c := consensus{p.level, t, max(n.variance/float64(min(p.n, pendingMean)), 0.04)}
	r.pend = pending{}
	why := r.acquiring
	r.acquiring = tracking
	defer r.believed(t)
	if !r.kfOn || why == acquireStart {
		r.startOver(c)
		return accepted
	}
	r.acquired(why, c)
	return accepted
}

// startOver takes a level for the first one.
func (r *rise) startOver(c consensus) {
	r.startFilter(c)
	r.base, r.baseAt = mean{}, c.at
	r.base.add(c.level)
	r.track = newTrack()
	r.fit.Forget(0)
	r.urgent = true
}

// plausible reports whether a level found after a fold can be dough that was
// folded. After some patience every level is taken.
func (r *rise) plausible(level, t float64) bool {
	if !r.kfOn || t-r.acquireFrom > patienceHours {
		return true
	}
	pred, variance := r.predict(t)
	margin := max(0.1*pred, 5*math.Sqrt(variance))
	return r.acquiring != acquireFold || level > 0.5*pred && level < pred+margin
}

// acquired carries the filter over to a level found after a fold or a move.
func (r *rise) acquired(why acquiring, c consensus) {
	r.kf.predict(max(c.at-r.kfAt, 0))
	r.kfAt = c.at
	before := r.kf.level
	miss := c.level - before
	big := math.Abs(miss) > max(4*math.Sqrt(r.kf.p11+c.variance), 3)
	v := max(c.variance, 0.04)
	r.kf.jumpTo(c.level, v)
	switch {
	case why == acquireMove && big:
		r.stepAt(r.acquireFrom, before, c.level, surelyMoved)
	case why == acquireFold:
		r.stepAt(r.acquireFrom, before, c.level, 0)
	}
}

// gather adds a believed level to the bucket and closes it when the next
// reading would fall into another.
func (r *rise) gather(level, t, interval float64, n *noise) {
	index := int64(math.Floor(t / bucketHours))
	b := &r.bucket
	if b.n > 0 && index != b.index {
		r.closeBucket(n)
	}
	if b.n == 0 {
		*b = bucket{index: index}
	}
	b.n++
	b.level += (level - b.level) / float64(b.n)
	b.when += (t - b.when) / float64(b.n)
	if interval > 0 && int64(math.Floor((t+interval)/bucketHours)) != index {
		r.closeBucket(n)
	}
}

// closeBucket hands the bucket's mean to the filter and to all who follow.
func (r *rise) closeBucket(n *noise) {
	b := r.bucket
	r.bucket = bucket{}
	if b.n == 0 {
		return
	}
	r.kf.predict(max(b.when-r.kfAt, 0))
	r.kfAt = b.when
	miss, variance := b.level-r.kf.level, r.kf.p11
	r.learnBucket(miss, variance)
	r.kf.update(b.level, r.bucketR)
	if r.hands && r.handled(b.when) {
		r.fit.Stir()
	}
	r.hands, r.bucketAt = false, b.when
	r.fit.Level(b.when-r.start, b.level, n.sd()/math.Sqrt(float64(b.n)))
	if b.when-r.baseAt < settleHours {
		r.base.add(b.level)
	}
	r.track.follow(r, b.when)
}

// handled reports whether such a pause ends with a bucket.
func (r *rise) handled(t float64) bool {
	pause := t - r.bucketAt - bucketHours
	volume := r.cfg.Profile.Volume
	return pause > pauseLeast && pause < pauseMost && volume(r.kf.level) < pauseLevel*volume(r.base.level)
}

// learnBucket follows the variance of a bucket's mean around the filter. It
// holds what does not average out within half a minute: steps of the sensor,
// slow wander.
func (r *rise) learnBucket(miss, predictionVar float64) {
	r.bucketN = min(r.bucketN+1, 60)
	v := max(min(miss*miss, 9*(r.bucketR+predictionVar))-predictionVar, 0)
	r.bucketR += (v - r.bucketR) / (r.bucketN + 10)
	r.bucketR = min(max(r.bucketR, 0.01), maxNoiseMM*maxNoiseMM)
}

// temper passes a temperature on.
func (r *rise) temper(t, doughC, airC float64) {
	r.fit.Temper(t-r.start, doughC, airC)
	if r.cold || math.IsNaN(doughC) {
		return // the mark does not move with the cold
	}
	if math.IsNaN(r.tableC) {
		r.tableC, r.tableAt = doughC, t
	}
	r.tableC += (doughC - r.tableC) * -math.Expm1(-(t-r.tableAt)/0.5)
	r.tableAt = t
}

// duration turns hours into a Duration.
func duration(hours float64) time.Duration {
	return time.Duration(hours * float64(time.Hour))
}
