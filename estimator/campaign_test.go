package estimator

import (
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/estimator/geometry"
)

var (
	campaignRises  = flag.Int("rises", 200, "rises in the warning table")
	campaignDetail = flag.Bool("detail", false, "print every rise that went wrong")
	campaignStep   = flag.Duration("step", time.Minute, "time between estimates about the mark; more elsewhere")
	campaignShort  = flag.Bool("short-rises", false, "stop each rise soon after the mark")
	campaignOnly   = flag.Int("only", -1, "run this rise alone")
)

// faultKind is what goes wrong in one rise of the campaign.
type faultKind int

const (
	noFault faultKind = iota
	toldFolds
	quietFolds
	lids
	gaps
	stuckReadings2
	bump
	everything
	faultKinds
)

func (f faultKind) String() string {
	return [...]string{"no fault", "folds told", "folds not told", "lids and hands", "gaps", "stuck readings", "sensor bumped", "all of these"}[f]
}

// vessels are the four shapes.
func vessels(rng *rand.Rand) (*geometry.Profile, float64, float64) {
	var p *geometry.Profile
	var err error
	start := 0.0
	switch rng.IntN(4) {
	case 0:
		p, err = geometry.Cylinder(95, 180)
		start = 0.42
	case 1:
		p, err = geometry.TaperedRound(140, 175, 190)
		start = 1.1
	case 2:
		p, err = geometry.TaperedRect(200, 140, 230, 165, 170)
		start = 1.7
	default:
		p, err = geometry.Bowl(260, 130)
		start = 1.2
	}
	if err != nil {
		panic(err)
	}
	start *= 0.85 + 0.3*rng.Float64()
	return p, start, p.TopMM() + 60
}

// drawSim invents a rise: speed, food and warmth at random, one fault kind.
func drawSim(seed uint64) (sim, faultKind) {
	rng := rand.New(rand.NewPCG(seed, 7))
	kind := faultKind(seed % uint64(faultKinds))
	s := sim{holds: Dough, seed: seed}
	s.profile, s.startL, s.floorMM = vessels(rng)
	switch rng.IntN(3) {
	case 0:
		s.noiseMM, s.stepMM = 1.2, 1 // optical
	case 1:
		s.noiseMM, s.stepMM = 1.5, 3 // ultrasonic
	default:
		s.noiseMM, s.stepMM = 0.5, 0.1 // averaged
	}
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
	s.faults(kind, rng)
	return s, kind
}

// faults adds one kind of fault.
func (s *sim) faults(kind faultKind, rng *rand.Rand) {
	var odd []func(h, level float64, rng *rand.Rand) (float64, bool)
	s.events = map[time.Duration]Event{0: Start}
	if kind == toldFolds || kind == everything {
		odd = append(odd, s.folds(rng, true))
	}
	if kind == quietFolds {
		odd = append(odd, s.folds(rng, false))
	}
	if kind == lids || kind == everything {
		odd = append(odd, s.lids(rng))
	}
	if kind == gaps || kind == everything {
		odd = append(odd, s.gaps(rng))
	}
	if kind == stuckReadings2 || kind == everything {
		odd = append(odd, s.sticks(rng))
	}
	if kind == bump || kind == everything {
		odd = append(odd, s.bumps(rng))
	}
	if len(odd) == 0 {
		return
	}
	s.disturb = func(h, level float64, rng *rand.Rand) (float64, bool) {
		for _, f := range odd {
			if d, ok := f(h, level, rng); ok {
				return d, true
			}
		}
		return 0, false
	}
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

func (s *sim) folds(rng *rand.Rand, told bool) func(float64, float64, *rand.Rand) (float64, bool) {
	var at []float64
	for i := range 1 + rng.IntN(3) {
		h := 0.6 + 0.6*float64(i) + 0.2*rng.Float64()
		at = append(at, h)
		s.knocks = append(s.knocks, knockAt{h, 0.3 + 0.5*rng.Float64()})
		if told {
			s.events[time.Duration((h-1.0/60+2.0/60*rng.Float64())*float64(time.Hour)).Round(time.Second)] = Fold
		}
	}
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		for _, a := range at {
			if h > a-0.5/60 && h < a+1.5/60 {
				return s.handling(rng, level)
			}
		}
		return 0, false
	}
}

func (s *sim) lids(rng *rand.Rand) func(float64, float64, *rand.Rand) (float64, bool) {
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

func (s *sim) gaps(rng *rand.Rand) func(float64, float64, *rand.Rand) (float64, bool) {
	from, long := rng.Float64()*s.hours, (5+60*rng.Float64())/60
	lost := 0.05 * rng.Float64()
	return func(h, _ float64, rng *rand.Rand) (float64, bool) {
		return math.NaN(), h >= from && h < from+long || rng.Float64() < lost
	}
}

func (s *sim) sticks(rng *rand.Rand) func(float64, float64, *rand.Rand) (float64, bool) {
	from, long, at := rng.Float64()*s.hours, (8+40*rng.Float64())/60, math.NaN()
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		if h < from || h >= from+long {
			return 0, false
		}
		if math.IsNaN(at) {
			at = s.floorMM - level + s.noiseMM*rng.NormFloat64()
		}
		return at, true
	}
}

func (s *sim) bumps(rng *rand.Rand) func(float64, float64, *rand.Rand) (float64, bool) {
	from, by := (0.3+0.6*rng.Float64())*s.hours, 8+10*rng.Float64()
	if rng.IntN(3) > 0 {
		by = -by // nearer: the level seems higher
	}
	return func(h, level float64, rng *rand.Rand) (float64, bool) {
		return s.floorMM - level + by + s.noiseMM*rng.NormFloat64(), h > from
	}
}

// result is how one rise was told.
type result struct {
	kind                                       faultKind
	sensor                                     string
	hasNear, near                              bool // a near was due; was said
	nearErr                                    float64
	err60, err30                               float64 // of the forecast, minutes; NaN when none
	falseNear, falseReady, falseOver, falseFal bool
	falseEnd, falseShort                       bool
	overDue, over, fallDue, fall               bool
	z, zN, zBig, absErr                        float64 // rise error against its own SD
	notes                                      []string
}

const campaignTarget = 100

// judge runs one rise and compares what was said with the truth.
func judge(seed uint64) result {
	s, kind := drawSim(seed)
	res := result{kind: kind, sensor: fmt.Sprintf("%.1f mm in steps of %.1f, every %s", s.noiseMM, s.stepMM, s.every), err60: math.NaN(), err30: math.NaN()}
	cfg := s.config()
	cfg.TargetPercent = campaignTarget
	cfg.AutoStart = false
	e, err := New(cfg)
	if err != nil {
		panic(err)
	}
	tr := s.grow()
	lead := 0.5
	reach := tr.reaches(campaignTarget)
	if *campaignShort && !math.IsInf(reach, 1) {
		s.hours = min(s.hours, reach+0.2)
	}
	last := Phase("")
	note := func(h float64, format string, a ...any) {
		res.notes = append(res.notes, fmt.Sprintf("%.2f ", h)+fmt.Sprintf(format, a...))
	}
	maxTrue, overTrue, knocks := 0.0, false, s.knocks
	s.pace = func(h float64) time.Duration {
		switch {
		case h < reach-1.5 && !math.IsInf(reach, 1):
			return 10 * *campaignStep
		case h > reach-0.9 && h < reach+0.4:
			return *campaignStep
		}
		return 4 * *campaignStep
	}
	s.run(e, *campaignStep, func(h float64, x Estimate) {
		now := tr.at(h)
		if len(e.cached.fan) > 0 {
			e.cached.fanAt = math.MaxFloat64 // the fan is dear and not judged here
		}
		for len(knocks) > 0 && h >= knocks[0].at {
			maxTrue, knocks = 0, knocks[1:]
		}
		maxTrue = max(maxTrue, now)
		fall := (maxTrue - now) / (100 + maxTrue)
		overTrue = overTrue || now > campaignTarget+20
		if x.Quality == QualityOK && h > 0.3 && x.RiseSD > 0 {
			d := (x.RisePercent - now) / x.RiseSD
			res.z += d * d
			res.zN++
			res.absErr += math.Abs(x.RisePercent - now)
			if math.Abs(x.RisePercent-now) > 6 {
				res.zBig++
			}
		}
		if ahead := 60 * (reach - h); !x.Ready.IsZero() && !math.IsInf(reach, 1) {
			miss := 60 * (x.Ready.Median.Sub(simEpoch).Hours() - reach)
			if ahead >= 60 {
				res.err60 = miss
			}
			if ahead >= 30 {
				res.err30 = miss
			}
		}
		if x.Phase != last {
			note(h, "%s (true %.0f, said %.0f, ready in %.2f)", x.Phase, now, x.RisePercent, x.Ready.Median.Sub(x.Time).Hours())
			res.phase(last, x, h, reach, lead, now, fall, &tr)
			last = x.Phase
		}
		if x.LevelsOffShort && tr.at(s.hours) > 0 && !res.falseShort {
			if _, top := tr.peak(); top > campaignTarget+8 {
				res.falseShort = true
				note(h, "said it levels off short")
			}
		}
	})
	res.overDue, res.fallDue = overTrue, (maxTrue-tr.at(s.hours-0.3))/(100+maxTrue) > 0.15
	res.hasNear = !math.IsInf(reach, 1) && reach-lead > 0.5
	_, top := tr.peak()
	note(0, "%s every %s noise %.1f/%.1f reach %.2f peak %.0f C %.1f knocks %v counts %v notes %v", kind, s.every, s.noiseMM, s.stepMM, reach, top, s.doughC(1), s.knocks, e.counts(), e.rise.notes.list(e.clock.at))
	return res
}

// phase judges one change of phase.
func (r *result) phase(from Phase, x Estimate, h, reach, lead, now, fall float64, tr *truth) {
	switch x.Phase {
	case Near:
		if !r.near {
			r.near = true
			r.nearErr = 60 * (h - (reach - lead))
			r.falseNear = math.Abs(r.nearErr) > 20 || math.IsInf(reach, 1)
		}
	case Ready:
		r.falseReady = r.falseReady || reach-h > 6.0/60 && now < campaignTarget-6
	case Over:
		r.over = true
		_, top := tr.peak()
		if x.RisePercent < campaignTarget+10 && x.Exhausted && top-now > 12 && fall < 0.02 {
			r.falseEnd = true
		}
		if !x.Exhausted && now < campaignTarget-3 && fall < 0.05 {
			r.falseOver = true
		}
	case Fallen:
		r.fall = true
		r.falseFal = r.falseFal || fall < 0.03
	}
	_ = from
}

func (r *result) wrong() bool {
	return r.hasNear && (!r.near || math.Abs(r.nearErr) > 5) || r.falseWarning() || r.zBig > 20
}

// falseWarning reports whether something was said that was plainly not so.
func (r *result) falseWarning() bool {
	return r.falseReady || r.falseOver || r.falseFal || r.falseEnd || r.falseShort || (r.overDue || r.fallDue) && !r.over && !r.fall
}

// BenchmarkWarnings runs invented rises with faults and prints how they were
// told, false warnings in full. Flags: -rises N, -detail for all that went wrong,
// -only SEED for one.
func BenchmarkWarnings(b *testing.B) {
	for range b.N {
		from, to := 0, *campaignRises
		if *campaignOnly >= 0 {
			from, to = *campaignOnly, *campaignOnly+1
		}
		list := judgeAll(from, to)
		for i, r := range list {
			if *campaignOnly >= 0 || *campaignDetail && r.wrong() || r.falseWarning() {
				r.tell(os.Stderr, from+i)
			}
		}
		warningTable(os.Stdout, list)
		sensorTable(os.Stdout, list)
	}
}

// judgeAll runs the rises from one seed up to before another, as many at a time
// as there are processors to use.
func judgeAll(from, to int) []result {
	list := make([]result, to-from)
	var next atomic.Int64
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(list)); i = next.Add(1) - 1 {
				list[i] = judge(uint64(from) + uint64(i))
			}
		})
	}
	all.Wait()
	return list
}

// tell prints how a rise was told.
func (r *result) tell(w io.Writer, seed int) {
	fmt.Fprintf(w, "--- rise %d near error %.1f zbig %.0f of %.0f\n", seed, r.nearErr, r.zBig, r.zN)
	for _, n := range r.notes {
		fmt.Fprintln(w, "   ", n)
	}
}
