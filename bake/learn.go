package bake

import (
	"cmp"
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

// Lesson is what one finished rise taught, as it is kept.
type Lesson struct {
	At     time.Time       `json:"at"` // its end
	Params forecast.Params `json:"params"`
	Batch  *Batch          `json:"batch,omitempty"`
	Warmer *float64        `json:"warmer_c,omitempty"` // than the dough that was planned; nil when none was
}

// LessonOf fits a finished rise again from its stored record. Its batch is the one that
// was kept with it, since a plan may take less levain than the vessel's own; nil when
// nothing usual is baked there. planned is the process of a rise that has just ended,
// which knows what dough was wanted. ok is false when the record is too short to teach.
func LessonOf(r Rise, points []forecast.Point, own *Batch, planned *Process) (l Lesson, ok bool) {
	l = Lesson{At: r.EndedAt, Batch: own, Warmer: warmerThan(planned, points)}
	if b := r.Mixed(); b != nil && own != nil {
		l.Batch = b
	}
	l.Params, ok = forecast.Teach(forecast.DefaultPrior(string(r.Holds)), points)
	return l, ok
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

// Learn gives the prior for the next rise, of a batch that is nil when it is not known,
// from the household's past ones (oldest first) by shrinkage: few rises move the
// published values a little, many nearly all the way (empirical Bayes,
// forecast.Prior.Learn). Every past rise is first brought to the next batch's levain and
// salt. With no past it is the published prior for that batch.
func Learn(holds estimator.Holds, past []Lesson, next *Batch) forecast.Prior {
	base := published(holds)
	want := adjusted(base, next, 0)
	list := make([]forecast.Params, 0, lastPast)
	for _, l := range past[max(0, len(past)-lastPast):] {
		list = append(list, l.Params.Moved(adjusted(base, l.Batch, 0), want))
	}
	return want.Learn(list)
}

// Prior is what is published of a dough of the batch, with another share of its flour
// fermented, 0..1, when that is not 0.
func (b Batch) Prior(inoculationShare float64) forecast.Prior {
	return adjusted(published(estimator.Dough), &b, inoculationShare).Learn(nil)
}

// adjusted is the prior for a batch's levain, salt, flour and recipe; a batch that is not
// known leaves it.
func adjusted(p forecast.Prior, b *Batch, inoculationShare float64) forecast.Prior {
	if b == nil || b.Validate() != nil {
		return p
	}
	n := b.Numbers()
	if share := cmp.Or(inoculationShare, n.InoculationPercent/100); share > 0 {
		p = p.Inoculated(share)
	}
	p = p.Salted(n.SaltPercent)
	rate, ceiling := b.pace()
	p.LogRate.Mean += rate
	p.LogCeiling.Mean += ceiling
	return p
}
