package bake

import (
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

// Past is one finished rise of the household, for Learn.
type Past struct {
	At               time.Time
	Params           forecast.Params // what the rise taught
	InoculationShare float64         // fermented flour of all flour, 0..1; 0 when not known
	SaltPercent      float64         // of flour; NaN when not known

	rate, ceiling float64 // what flour and recipe shift of the logarithms
}

// PastOf makes a Past of a batch and what its rise taught.
func PastOf(at time.Time, p forecast.Params, b Batch) Past {
	out := Past{At: at, Params: p, SaltPercent: math.NaN()}
	if n, err := b.Numbers(); err == nil {
		out.InoculationShare, out.SaltPercent = n.InoculationPercent/100, n.SaltPercent
		out.rate, out.ceiling = b.pace()
	}
	return out
}

// Lesson is what one finished rise taught, as it is kept.
type Lesson struct {
	At     time.Time       `json:"at"` // its end
	Params forecast.Params `json:"params"`
	Batch  *Batch          `json:"batch,omitempty"`
	Warmer *float64        `json:"warmer_c,omitempty"` // than the dough that was planned; nil when none was
}

// LessonOf fits a finished rise anew from its stored record. Its batch is the one that
// was kept with it, since a plan may take less levain than the vessel's own; nil when
// nothing usual is baked there. planned is the process of a rise that has just ended,
// which knows what dough was wanted. ok is false when the record is too short to teach.
func LessonOf(r Rise, points []forecast.Point, own *Batch, planned *Process) (l Lesson, ok bool) {
	l = Lesson{At: r.EndedAt, Batch: own, Warmer: warmerThan(planned, points)}
	if b := r.Mixed(); b != nil && own != nil {
		l.Batch = b
	}
	l.Params, ok = teach(r.Holds, points)
	return l, ok
}

// Past returns the lesson as Learn takes it.
func (l Lesson) Past() Past {
	if l.Batch == nil {
		return Past{At: l.At, Params: l.Params, SaltPercent: math.NaN()}
	}
	return PastOf(l.At, l.Params, *l.Batch)
}

// mixedFor is how long after its start a dough is still as warm as it was mixed.
const mixedFor = 20 * time.Minute

// warmerThan returns how much warmer a dough came out than its plan wanted, by the first
// reading of the probe; nil when either is not known.
func warmerThan(p *Process, points []forecast.Point) *float64 {
	if p == nil || p.wantedDoughC() == 0 || len(points) == 0 || points[0].At > mixedFor || math.IsNaN(points[0].DoughC) {
		return nil
	}
	c := points[0].DoughC - p.wantedDoughC()
	return &c
}

// lastPast is how many rises speak: a starter changes over the years.
const lastPast = 30

// Learn gives the prior for the next rise from the household's past ones
// (oldest first) by shrinkage: few rises move the published values a little,
// many nearly all the way (empirical Bayes, forecast.Prior.Learn). Every past
// rise is first brought to the next batch's levain and salt. next's Params are
// not looked at. With no past it is the published prior for that batch.
func Learn(holds estimator.Holds, past []Past, next Past) forecast.Prior {
	base := published(holds)
	want := adjusted(base, next)
	if len(past) > lastPast {
		past = past[len(past)-lastPast:]
	}
	list := make([]forecast.Params, 0, len(past))
	for _, p := range past {
		list = append(list, p.Params.Moved(adjusted(base, p), want))
	}
	return want.Learn(list)
}

// adjusted is the prior for a batch's levain, salt, flour and recipe; the unknown leaves it.
func adjusted(p forecast.Prior, b Past) forecast.Prior {
	if b.InoculationShare > 0 {
		p = p.Inoculated(b.InoculationShare)
	}
	if !math.IsNaN(b.SaltPercent) {
		p = p.Salted(b.SaltPercent)
	}
	p.LogRate.Mean += b.rate
	p.LogCeiling.Mean += b.ceiling
	return p
}

// teach fits a finished rise anew from its stored record and says what it
// taught. ok is false when the record is too short to teach anything.
func teach(holds estimator.Holds, points []forecast.Point) (forecast.Params, bool) {
	return forecast.Teach(forecast.DefaultPrior(string(holds)), points)
}
