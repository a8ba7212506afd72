package forecast

import (
	"math"
	"sync"
	"time"

	"tidemark/estimator/kinetics"
	"tidemark/estimator/lsq"
)

// Workshop holds what fits can share: tables that only are read, and the benches
// that a fit needs while it works. One workshop for all vessels of a house keeps
// a vessel's own memory small. Make it with [NewWorkshop]; it may be used by
// many goroutines at once.
type Workshop struct {
	table   *kinetics.Responses
	draws   draws
	benches sync.Pool
}

// NewWorkshop fills the tables. A bench is made when the first fit needs one.
func NewWorkshop() *Workshop {
	return &Workshop{
		table:   kinetics.NewResponses(),
		draws:   newDraws(),
		benches: sync.Pool{New: func() any { return newBench() }},
	}
}

// New starts a rise whose fit works in this workshop.
func (w *Workshop) New(p Prior) *Fit {
	f := &Fit{shop: w, clock: newClock(w.table), stopped: math.Inf(1), ended: math.Inf(1), moved: math.Inf(-1), why: "No reading of the level yet."}
	f.bins.width = firstWidth
	list := shapes()
	f.models = make([]model, len(list))
	for i, shape := range list {
		f.models[i] = newModel(shape, p)
	}
	return f
}

// bench is what one fit works on: nothing on it outlasts [Fit.Rest].
type bench struct {
	state   whitener
	solver  lsq.Solver
	ahead   ahead
	samples []sample
	path    []float64 // scratch: one sample's residuals and smoothed path
	sorted  []weighted
	rows    []float64 // scratch of wander
	jac     []float64
}

func newBench() *bench {
	return &bench{
		ahead:   newAhead(),
		samples: make([]sample, 0, 2*sampleCount),
		sorted:  make([]weighted, 0, 2*sampleCount),
		path:    make([]float64, 2*maxBins),
		rows:    make([]float64, maxBins+paramCount),
		jac:     make([]float64, (maxBins+paramCount)*paramCount),
	}
}

// keepsake is what is kept of a sample at rest. Its curve is found again from
// the fit of its shape and its place among the draws. Seven digits are plenty for a
// draw, and there are hundreds for each rise.
type keepsake struct {
	weight, base float32
	state        [stateCount]float32
}

func keepsakeOf(s *sample) keepsake {
	k := keepsake{weight: float32(s.weight), base: float32(s.base)}
	for i, x := range s.state {
		k.state[i] = float32(x)
	}
	return k
}

// give puts what was kept back in its sample.
func (k *keepsake) give(s *sample) {
	s.weight, s.base = float64(k.weight), float64(k.base)
	for i, x := range k.state {
		s.state[i] = float64(x)
	}
}

// Rest hands the bench back to the workshop for other fits: call it when all has
// been asked after a [Fit.Refit]. Until the next Refit only Rise and Baseline
// answer, with the same numbers as before to six digits, whatever was added since;
// the rest is as before a fit.
func (f *Fit) Rest() {
	if f.bench == nil {
		return
	}
	if f.fitted {
		f.keep()
	}
	f.release()
}

// take gets a bench, if there is none yet.
func (f *Fit) take() {
	if f.bench == nil {
		f.bench = f.shop.benches.Get().(*bench)
	}
}

// release puts the bench back.
func (f *Fit) release() {
	for i := range f.models {
		f.models[i].state = nil
	}
	f.shop.benches.Put(f.bench)
	f.bench = nil
}

// keep notes what the next answers at rest need.
func (f *Fit) keep() {
	f.restL, f.restSDL = f.Baseline()
	if n := len(f.samples); cap(f.kept) < n {
		f.kept = make([]keepsake, 0, n)
	}
	f.kept = f.kept[:0]
	for i := range f.samples {
		s := &f.samples[i]
		f.kept = append(f.kept, keepsakeOf(s))
	}
}

// asleep reports whether a fit is there whose bench was handed back.
func (f *Fit) asleep() bool { return f.fitted && f.bench == nil }

// awake reports whether a fit is there to be asked anything.
func (f *Fit) awake() bool { return f.fitted && f.bench != nil }

// restRise is Rise on a bench borrowed for the question.
func (f *Fit) restRise(now time.Duration) (percent, sd float64) {
	f.take()
	defer f.release()
	hours := max(0, now.Hours()-f.now)
	f.ahead.fill(&f.then, false, hours)
	f.drawAgain()
	return f.moments(func(s *sample) float64 { return f.riseAt(s, &f.ahead, hours) })
}

// drawAgain makes the samples of the last Refit anew, in the same order.
func (f *Fit) drawAgain() {
	f.samples = f.samples[:0]
	for i := range f.models {
		m := &f.models[i]
		if m.weight < leastShare {
			continue
		}
		for k := range m.drawCount() {
			var s sample
			if _, ok := f.curveDraw(i, k, &s); ok {
				f.kept[len(f.samples)].give(&s)
				f.samples = append(f.samples, s)
			}
		}
	}
}
