package estimator

import (
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/estimator/geometry"
)

var campaignRises = flag.Int("rises", 200, "rises in the warning table")

// fault is one kind of what goes wrong in a rise of the campaign. The last of them is
// all but the folds that nobody told.
type fault struct {
	name string
	add  func(s *sim, rng *rand.Rand) disturbance
}

func faults() []fault {
	return []fault{
		{"no fault", func(*sim, *rand.Rand) disturbance { return nil }},
		{"folds told", func(s *sim, rng *rand.Rand) disturbance { return s.folds(rng, true) }},
		{"folds not told", func(s *sim, rng *rand.Rand) disturbance { return s.folds(rng, false) }},
		{"lids and hands", (*sim).lids}, {"gaps", (*sim).gaps}, {"stuck readings", (*sim).sticks}, {"sensor bumped", (*sim).bumps},
		{"all of these", func(s *sim, rng *rand.Rand) disturbance {
			return either(s.folds(rng, true), s.lids(rng), s.gaps(rng), s.sticks(rng), s.bumps(rng))
		}},
	}
}

// either is the first of some disturbances that is there.
func either(list ...disturbance) disturbance {
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		for _, f := range list {
			if d, ok := f(h, level, rng); ok {
				return d, true
			}
		}
		return 0, false
	}
}

// vessel draws one of four shapes, the volume it begins with and the distance to its floor.
func vessel(rng *rand.Rand) (*geometry.Profile, float64, float64) {
	jar, err1 := geometry.Cylinder(95, 180)
	tub, err2 := geometry.TaperedRound(140, 175, 190)
	box, err3 := geometry.TaperedRect(200, 140, 230, 165, 170)
	bowl, err4 := geometry.Bowl(260, 130)
	for _, err := range []error{err1, err2, err3, err4} {
		if err != nil {
			panic(err)
		}
	}
	i := rng.IntN(4)
	p := []*geometry.Profile{jar, tub, box, bowl}[i]
	return p, []float64{0.42, 1.1, 1.7, 1.2}[i] * (0.85 + 0.3*rng.Float64()), p.TopMM() + 60
}

// drawSim invents a rise: speed, food and warmth at random, one fault.
func drawSim(seed uint64) sim {
	rng := rand.New(rand.NewPCG(seed, 7))
	s := sim{holds: Dough, seed: seed, events: map[time.Duration]Event{0: Start}}
	s.profile, s.startL, s.floorMM = vessel(rng)
	kind := [][2]float64{{1.2, 1}, {1.5, 3}, {0.5, 0.1}}[rng.IntN(3)] // optical, ultrasonic, averaged
	s.noiseMM, s.stepMM = kind[0], kind[1]
	s.every = []time.Duration{time.Second, 10 * time.Second, time.Minute}[rng.IntN(3)]
	base, ramp := 18+12*rng.Float64(), 0.0
	if rng.IntN(2) == 0 {
		ramp = -4 + 7*rng.Float64()
	}
	s.doughC = func(h float64) float64 { return base + ramp*(1-math.Exp(-h/3)) + 0.3*math.Sin(h/0.7) }
	s.speed = 0.45 + 0.35*rng.Float64()
	s.cells = 0.1 + 0.15*rng.Float64()
	s.food = 1.4 + 1.6*rng.Float64()
	s.leak = 0.02 + 0.05*rng.Float64()
	s.collapse = 0.7 + 1.5*rng.Float64()
	// Long enough to see the collapse: run until well past the peak.
	s.hours = 30
	t := s.grow()
	peakAt, _ := t.peak()
	s.hours = min(peakAt+s.collapse+1.5, 30)
	s.disturb = faults()[seed%uint64(len(faults()))].add(&s, rng)
	return s
}

// handling is a minute or two with hands in the way.
func (s *sim) handling(rng *rand.Rand, level float64) (float64, bool) {
	switch rng.IntN(3) {
	case 0:
		return 20 + 60*rng.Float64(), true
	case 1:
		return s.floorMM + 20 + 300*rng.Float64(), true
	}
	return s.floorMM - level*(0.7+0.5*rng.Float64()), true
}

// folded is the hands over the dough at each of its folds.
func (s *sim) folded(h, level float64, rng *rand.Rand) (float64, bool) {
	for _, k := range s.knocks {
		if h > k.at-0.5/60 && h < k.at+1.5/60 {
			return s.handling(rng, level)
		}
	}
	return 0, false
}

func (s *sim) folds(rng *rand.Rand, told bool) disturbance {
	for i := range 1 + rng.IntN(3) {
		h := 0.6 + 0.6*float64(i) + 0.2*rng.Float64()
		s.knocks = append(s.knocks, knockAt{h, 0.3 + 0.5*rng.Float64()})
		if told {
			s.events[time.Duration((h-1.0/60+2.0/60*rng.Float64())*float64(time.Hour)).Round(time.Second)] = Fold
		}
	}
	return s.folded
}

func (s *sim) lids(rng *rand.Rand) disturbance {
	type span struct{ from, to, far float64 }
	var list []span
	for range 2 + rng.IntN(4) {
		from := rng.Float64() * s.hours
		far := s.floorMM + 30 + 500*rng.Float64()
		switch rng.IntN(5) {
		case 0:
			far = 8190
		case 1:
			far = s.floorMM + 4 + 6*rng.Float64() // the counter beside the vessel
		case 2:
			far = 30 + 30*rng.Float64() // a hand or a lid
		}
		list = append(list, span{from, from + (1+9*rng.Float64())/60, far})
	}
	if rng.IntN(2) == 0 {
		list = append(list, span{0, 2.0 / 60, 40}) // a hand at the very start
	}
	return func(h, _ float64, rng *rand.Rand) (float64, bool) {
		for _, l := range list {
			if h >= l.from && h < l.to {
				return l.far + 2*rng.NormFloat64(), true
			}
		}
		return 0, false
	}
}

func (s *sim) gaps(rng *rand.Rand) disturbance {
	from, long := rng.Float64()*s.hours, (5+60*rng.Float64())/60
	lost := 0.05 * rng.Float64()
	return func(h, _ float64, rng *rand.Rand) (float64, bool) {
		return math.NaN(), h >= from && h < from+long || rng.Float64() < lost
	}
}

func (s *sim) sticks(rng *rand.Rand) disturbance {
	from, long := rng.Float64()*s.hours, (8+40*rng.Float64())/60
	return s.hangs(from, from+long)
}

// hangs is a sensor that repeats one reading between two hours.
func (s *sim) hangs(from, to float64) disturbance {
	held := math.NaN()
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		if h < from || h >= to {
			return 0, false
		}
		if math.IsNaN(held) {
			held = s.floorMM - level + s.noiseMM*rng.NormFloat64()
		}
		return held, true
	}
}

func (s *sim) bumps(rng *rand.Rand) disturbance {
	from, by := (0.3+0.6*rng.Float64())*s.hours, 8+10*rng.Float64()
	if rng.IntN(3) > 0 {
		by = -by // nearer: the level seems higher
	}
	return s.moved(from, by)
}

// moved is a sensor moved by so many millimetres from an hour on.
func (s *sim) moved(from, by float64) disturbance {
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		return s.floorMM - level + by + s.noiseMM*rng.NormFloat64(), h > from
	}
}

// result is how one rise was told.
type result struct {
	due                        bool           // a near was due
	near, at60, at30           float64        // error of the near and of the forecasts, minutes; NaN when none
	wrong                      map[string]int // what was said that was plainly not so, or not said
	errors, square, calibrated float64        // of the rise: sum of its error, and of its square by its own SD; how many
	notes                      []string
}

// The columns of wrong: no near, one more than 20 minutes off, too early, and no end told.
const (
	noNear, farNear, early, tooOver, tooFallen, tooEnded, tooShort, noEnd = "no near", "near off", "ready", "over", "fallen", "ended", "short", "no end"
)

// judge runs one rise to double and compares what was said with the truth.
func judge(seed uint64) result {
	s := drawSim(seed)
	cfg := s.config()
	cfg.AutoStart = false
	e, err := New(cfg)
	if err != nil {
		panic(err)
	}
	tr := s.grow()
	reach := tr.reaches(100)
	peakAt, top := tr.peak()
	doubles := !math.IsInf(reach, 1)
	r := result{due: doubles && reach > 1, near: math.NaN(), at60: math.NaN(), at30: math.NaN(), wrong: map[string]int{}}
	s.pace = func(h float64) time.Duration {
		switch {
		case doubles && h < reach-1.5:
			return 10 * time.Minute
		case h > reach-0.9 && h < reach+0.4:
			return time.Minute
		}
		return 4 * time.Minute
	}
	last, highest, ended, knocks := Phase(""), 0.0, false, s.knocks
	s.run(e, time.Minute, func(h float64, x Estimate) {
		now := tr.at(h)
		if len(e.cached.fan) > 0 {
			e.cached.fanAt = math.MaxFloat64 // the fan is dear and not judged here
		}
		for len(knocks) > 0 && h >= knocks[0].at {
			highest, knocks = 0, knocks[1:]
		}
		highest = max(highest, now)
		if x.Quality == QualityOK && h > 0.3 && x.RiseSD > 0 {
			r.square += sq((x.RisePercent - now) / x.RiseSD)
			r.errors += math.Abs(x.RisePercent - now)
			r.calibrated++
		}
		if miss := 60 * (x.Ready.Median.Sub(simEpoch).Hours() - reach); doubles && !x.Ready.IsZero() {
			if reach-h >= 1 {
				r.at60 = miss
			}
			if reach-h >= 0.5 {
				r.at30 = miss
			}
		}
		if x.LevelsOffShort && top > 108 {
			r.wrong[tooShort] = 1
		}
		if x.Phase != last {
			r.notes = append(r.notes, fmt.Sprintf("%.2f %s (true %.0f, said %.0f)", h, x.Phase, now, x.RisePercent))
			last, ended = x.Phase, ended || x.Phase == Over || x.Phase == Fallen
			r.phase(x, h, reach, now, top, (highest-now)/(100+highest))
		}
	})
	if r.due && math.IsNaN(r.near) {
		r.wrong[noNear] = 1
	}
	if due := top > 120 || (highest-tr.at(s.hours-0.3))/(100+highest) > 0.15; due && !ended {
		r.wrong[noEnd] = 1
	}
	r.notes = append(r.notes, fmt.Sprintf("every %s noise %.1f/%.1f reach %.2f peak %.0f at %.2f knocks %v counts %v notes %v", s.every, s.noiseMM, s.stepMM, reach, top, peakAt, s.knocks, e.counts(), e.rise.notes.list(e.clock.at)))
	return r
}

// phase judges one change of phase; fall is how much of its volume the dough has lost.
func (r *result) phase(x Estimate, h, reach, now, top, fall float64) {
	wrong := ""
	switch {
	case x.Phase == Near && math.IsNaN(r.near):
		if r.near = 60 * (h - (reach - 0.5)); r.due && math.Abs(r.near) > 20 {
			wrong = farNear
		}
	case x.Phase == Ready && reach-h > 0.1 && now < 94:
		wrong = early
	case x.Phase == Over && x.Exhausted && x.RisePercent < 110 && top-now > 12 && fall < 0.02:
		wrong = tooEnded
	case x.Phase == Over && !x.Exhausted && now < 97 && fall < 0.05:
		wrong = tooOver
	case x.Phase == Fallen && fall < 0.03:
		wrong = tooFallen
	}
	if wrong != "" {
		r.wrong[wrong] = 1
	}
}

// BenchmarkWarnings runs invented rises with faults (-rises N) and prints how they were
// told, those with a false warning in full.
func BenchmarkWarnings(b *testing.B) {
	for range b.N {
		list := make([]result, *campaignRises)
		var next atomic.Int64
		var all sync.WaitGroup
		for range runtime.GOMAXPROCS(0) {
			all.Go(func() {
				for i := next.Add(1) - 1; i < int64(len(list)); i = next.Add(1) - 1 {
					list[i] = judge(uint64(i))
				}
			})
		}
		all.Wait()
		for i, r := range list {
			if len(r.wrong) > r.wrong[noNear]+r.wrong[farNear] {
				fmt.Fprintln(os.Stderr, "--- rise", i, r.wrong)
				for _, n := range r.notes {
					fmt.Fprintln(os.Stderr, "   ", n)
				}
			}
		}
		warningTable(os.Stdout, list)
	}
}

// warningTable prints a line for each fault, and one for all.
func warningTable(w io.Writer, list []result) {
	columns := []string{noNear, farNear, early, tooOver, tooFallen, tooEnded, tooShort, noEnd}
	fmt.Fprintf(w, "%-16s %6s %9s %8s %8s %8s\n", "fault", "rises", "near<=5m", "med min", "p90 min", columns)
	kinds := faults()
	for k := range len(kinds) + 1 {
		name, n, due, hit, sum := "all rises", 0, 0.0, 0.0, result{}
		wrong := make([]int, len(columns))
		var near, at60, at30 []float64
		for i, r := range list {
			if k < len(kinds) && i%len(kinds) != k {
				continue
			}
			n++
			sum.errors, sum.square, sum.calibrated = sum.errors+r.errors, sum.square+r.square, sum.calibrated+r.calibrated
			for j, c := range columns {
				wrong[j] += r.wrong[c]
			}
			at60, at30 = append(at60, math.Abs(r.at60)), append(at30, math.Abs(r.at30))
			if r.due {
				due, near = due+1, append(near, math.Abs(r.near))
				if math.Abs(r.near) <= 5 {
					hit++
				}
			}
		}
		if k < len(kinds) {
			name = kinds[k].name
		}
		fmt.Fprintf(w, "%-16s %6d %8.1f%% %8.1f %8.1f %8d  z rms %.2f  mean |error| %.2f  an hour before %.1f min, half an hour %.1f min\n", name, n, 100*hit/max(due, 1),
			quantile(near, 0.5), quantile(near, 0.9), wrong, math.Sqrt(sum.square/max(sum.calibrated, 1)), sum.errors/max(sum.calibrated, 1), quantile(at60, 0.5), quantile(at30, 0.5))
	}
}

// quantile is a quantile of those that are known.
func quantile(list []float64, q float64) float64 {
	list = slices.DeleteFunc(list, math.IsNaN)
	if len(list) == 0 {
		return math.NaN()
	}
	slices.Sort(list)
	return list[int(q*float64(len(list)-1))]
}
