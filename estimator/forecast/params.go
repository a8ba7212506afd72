package forecast

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator/kinetics"
)

// Params sums up what a rise taught, for later priors: the mean and covariance
// of ln ceiling (ln %), ln rate (ln %/h at 24 C) and lag (share of ceiling/rate,
// that of the Gompertz curve as late at a tenth of its ceiling), and the mean and
// covariance of the parameters of this package's own curve, none in what older
// versions stored.
type Params struct {
	LogCeiling, LogRate, Lag float64
	Cov                      [3][3]float64
	Point                    []float64   `json:",omitempty"`
	PointCov                 [][]float64 `json:",omitempty"`
}

// Moved returns what the rise would have taught if another batch had been in the
// vessel: the priors of both tell how they differ.
func (p Params) Moved(from, to Prior) Params {
	p.LogCeiling += to.LogCeiling.Mean - from.LogCeiling.Mean
	p.LogRate += to.LogRate.Mean - from.LogRate.Mean
	p.Lag += to.Lag.Mean - from.Lag.Mean
	if len(p.Point) == paramCount {
		p.Point = slices.Clone(p.Point)
		before, after := from.general(), to.general()
		for i := range p.Point {
			p.Point[i] += after[i].Mean - before[i].Mean
		}
	}
	return p
}

// Params sums up the members; not ok before a forecast.
func (f *Fit) Params() (p Params, ok bool) {
	if !f.known() {
		return p, false
	}
	w := f.shares()
	classic := make([][]float64, len(f.members))
	points := make([][]float64, len(f.members))
	for i := range f.members {
		c := classicOf(&f.members[i].curve)
		classic[i], points[i] = c[:], f.members[i].at[:]
	}
	mean, cov := meanAndCov(classic, w)
	p.LogCeiling, p.LogRate, p.Lag = mean[0], mean[1], mean[2]
	for a := range p.Cov {
		copy(p.Cov[a][:], cov[a])
	}
	p.Point, p.PointCov = meanAndCov(points, w)
	return p, true
}

// classicOf describes a curve as the classic ones are: ln ceiling, ln rate, lag.
func classicOf(c *curve) [3]float64 {
	const step, end = 0.1, 60.0
	d := c.start()
	var steepest, tenth float64
	rises := make([]float64, 0, int(end/step)+1)
	for h := 0.0; h < end; h += step {
		before := d.rise
		c.advanceBy(&d, step, step, step)
		steepest = max(steepest, (d.rise-before)/step)
		if d.rise < before {
			break
		}
		rises = append(rises, d.rise)
	}
	top := max(rises[len(rises)-1], 0.01)
	for i, r := range rises {
		if r >= top/10 {
			tenth = step * float64(i+1)
			break
		}
	}
	steepest = max(steepest, 0.001)
	lag := steepest/top*tenth - kinetics.Gompertz().UnitInverse(0.1)
	return [3]float64{math.Log(100 * top), math.Log(100 * steepest), lag}
}

// meanAndCov are the weighted moments of a list of vectors.
func meanAndCov(list [][]float64, w []float64) (mean []float64, cov [][]float64) {
	n := len(list[0])
	mean, cov = make([]float64, n), make([][]float64, n)
	for i, x := range list {
		for a := range n {
			mean[a] += w[i] * x[a]
		}
	}
	for a := range n {
		cov[a] = make([]float64, n)
	}
	for i, x := range list {
		for a := range n {
			for b := range n {
				cov[a][b] += w[i] * (x[a] - mean[a]) * (x[b] - mean[b])
			}
		}
	}
	return mean, cov
}

// learnedFrom pools rises into a belief; nil when none of them has a point. The
// spread between rises is shrunken: their scatter and the doubt of each (a step of
// expectation maximization), beside learnedCount rises beforehand. The household's
// middle is itself known from few rises only, and so is the spread: both make the
// Student t wider.
func learnedFrom(general *[paramCount]Normal, past []Params) *Learned {
	l := Learned{General: *general}
	var taught []*Params
	for i := range past {
		if q := &past[i]; len(q.Point) == paramCount && len(q.PointCov) == paramCount {
			taught = append(taught, q)
		}
	}
	if len(taught) == 0 {
		return nil
	}
	const before = learnedShare * learnedShare / (1 - learnedShare*learnedShare) // rises that the general mean counts for
	l.Rises = len(taught)
	n := float64(l.Rises)
	for a, g := range general {
		l.Mean[a] = before * g.Mean
		for _, q := range taught {
			l.Mean[a] += q.Point[a]
		}
		l.Mean[a] /= n + before
		sd := learnedShare * g.SD
		l.Scale[a][a] = learnedCount * sd * sd
	}
	l.Freedom = n + learnedCount
	wider := (1 + 1/(n+before)) / l.Freedom
	for a := range l.Scale {
		for b := range l.Scale {
			for _, q := range taught {
				l.Scale[a][b] += q.PointCov[a][b] + (q.Point[a]-l.Mean[a])*(q.Point[b]-l.Mean[b])
			}
			l.Scale[a][b] *= wider
		}
	}
	return &l
}

// Point is one stored reading of a finished rise.
type Point struct {
	At      time.Duration // since the start of the rise
	VolumeL float64       // in any unit in which the start is 1
	SDL     float64       // its standard deviation
	DoughC  float64       // Celsius; NaN when not known
}

// Teach says what a finished rise taught, from its stored rises. ok is false when it
// is too short to teach anything. Prefer [Fit.Params] of the rise itself: it knows
// the sensor.
func Teach(p Prior, points []Point) (_ Params, ok bool) {
	if len(points) < 10 {
		return Params{}, false
	}
	f := New(p, nil, kinetics.NewResponses())
	every := (len(points) + taughtLooks - 1) / taughtLooks
	for i, x := range points {
		f.Temper(x.At.Hours(), x.DoughC, math.NaN())
		if i%every == 0 {
			f.Look(x.At.Hours(), 100*(x.VolumeL-1), 100*math.Hypot(x.SDL, 0.02))
		}
	}
	f.Refit(points[len(points)-1].At.Hours())
	return f.Params()
}
