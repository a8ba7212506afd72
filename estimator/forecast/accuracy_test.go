package forecast

import (
	"flag"
	"fmt"
	"math"
	"os"
	"sort"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"tidemark/estimator/kinetics"
	"tidemark/estimator/lsq"
)

var (
	riseCount = flag.Int("rises", 400, "rises in the accuracy table")
	seedBase  = flag.Uint64("seedbase", 1, "first seed of the accuracy table")
	onlyKind  = flag.Int("kind", -1, "only this process model")
)

var columns = []float64{180, 120, 60, 30, 15} // minutes before doubling

const never = 600.0 // minutes counted for a forecast that gives no time

// verdict is what one rise says in one column.
type verdict struct {
	ours, plain      float64 // minutes of error
	line             [3]float64
	bound            float64 // standard deviation, minutes
	signed           float64
	covered, present bool
	width, chance    float64
}

func duration(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// judge plays one rise and asks at each column.
func judge(x *rise) (out [5]verdict) {
	f := New(DefaultPrior("dough"))
	var seen []reading
	next, nextRefit := 0, 0.0
	for next < len(columns) && x.doubled-columns[next]/60 < 0.4 {
		next++
	}
	x.readings(x.doubled, func(r reading) {
		for next < len(columns) && r.at >= x.doubled-columns[next]/60 {
			out[next] = x.ask(f, seen, r.at)
			next++
		}
		at := duration(r.at)
		f.Temper(at, r.dough, r.air)
		if r.fold {
			f.Disturb(at, 0)
		}
		if r.seen {
			f.Add(Point{At: at, VolumeL: r.volume, SDL: r.sd, DoughC: r.dough})
			seen = append(seen, r)
		}
		if r.at >= nextRefit {
			f.Refit(at)
			nextRefit = r.at + 0.25
		}
	})
	return out
}

func (x *rise) ask(f *Fit, seen []reading, at float64) verdict {
	f.Refit(duration(at))
	c := f.Crossing(100)
	v := verdict{present: true, ours: never, signed: math.NaN(), chance: c.Chance}
	if c.Known {
		v.signed = (c.Median.Hours() - x.doubled) * 60
		v.ours = min(math.Abs(v.signed), never)
		v.covered = c.From.Hours() <= x.doubled && x.doubled <= c.Until.Hours()
		v.width = (c.Until - c.From).Minutes()
	}
	v0 := startVolume(seen)
	for i, w := range []float64{0.5, 1, 2} {
		v.line[i] = lineError(seen, v0, at, w, x.doubled)
	}
	v.plain = plainError(seen, v0, x.doubled)
	v.bound = x.bound(at)
	return v
}

func startVolume(seen []reading) float64 {
	var sum, n float64
	for _, r := range seen {
		if r.at > 0.2 {
			break
		}
		sum += r.volume
		n++
	}
	return sum / n
}

// lineError: least squares line over the last hours of readings.
func lineError(seen []reading, v0, at, window, doubled float64) float64 {
	var n, st, sy, stt, sty float64
	for i := len(seen) - 1; i >= 0 && seen[i].at > at-window; i-- {
		t, y := seen[i].at-at, 100*(seen[i].volume/v0-1)
		n++
		st += t
		sy += y
		stt += t * t
		sty += t * y
	}
	slope := (n*sty - st*sy) / (n*stt - st*st)
	level := (sy - slope*st) / n
	if !(slope > 0) {
		return never
	}
	return min(never, math.Abs(at+(100-level)/slope-doubled)*60)
}

// plainFit is a Gompertz curve by least squares without priors.
type plainFit struct{ t, y []float64 }

func (p *plainFit) Size() (int, int) { return len(p.t), 3 }
func (p *plainFit) Residuals(q, r, jac []float64) bool {
	a, m, l := q[0], q[1], q[2]
	if a < 1 || m < 0.1 || a > 5000 || m > 500 || math.Abs(l) > 20 {
		return false
	}
	s := kinetics.Gompertz()
	for i, t := range p.t {
		x := m / a * (t - l)
		y, d := s.Unit(x)
		r[i] = p.y[i] - a*y
		if jac != nil {
			jac[3*i], jac[3*i+1], jac[3*i+2] = -(y - d*x), -d*(t-l), d*m
		}
	}
	return true
}

func plainError(seen []reading, v0, doubled float64) float64 {
	p := plainFit{}
	for i := 0; i < len(seen); { // minute means: the same information, less work
		var t, y, n float64
		for first := seen[i].at; i < len(seen) && seen[i].at < first+1.0/60; i++ {
			t += seen[i].at
			y += 100 * (seen[i].volume/v0 - 1)
			n++
		}
		p.t, p.y = append(p.t, t/n), append(p.y, y/n)
	}
	var s lsq.Solver
	res, err := s.Fit(&p, []float64{150, 30, 1}, lsq.Options{})
	if res.Params == nil || (err != nil && err != lsq.ErrSingular) || res.Params[0] <= 100 {
		return never
	}
	t := kinetics.Gompertz().TimeOf(res.Params[0], res.Params[1], res.Params[2], 100)
	return min(never, math.Abs(t-doubled)*60)
}

// bound is the Cramér-Rao bound on the doubling time: the process known up to
// its size, speed, lag, start volume and what each fold took; temperature and
// noise known; minutes.
func (x *rise) bound(at float64) float64 {
	const p = 4
	np := p
	for _, f := range x.folds {
		if f.at < at {
			np++
		}
	}
	d := 1e-3
	var hi, lo [3][]float64
	for j := range 3 {
		up, dn := [3]float64{1, 1, 1}, [3]float64{1, 1, 1}
		up[j] += d
		dn[j] -= d
		hi[j], lo[j] = x.simulate(up), x.simulate(dn)
	}
	if np > lsq.MaxParams {
		return math.NaN()
	}
	x.simulate([3]float64{1, 1, 1})
	v0 := x.vessel.volume(x.vessel.base)
	row := func(i int, out []float64) {
		clear(out)
		for j := range 3 {
			out[j] = (hi[j][i] - lo[j][i]) / (2 * d)
		}
		out[3] = 100 + x.truth[i] // relative error of the start volume
		k := p
		for _, f := range x.folds {
			if f.at < at {
				if float64(i)*simStep >= f.at {
					out[k] = 1
				}
				k++
			}
		}
	}
	info := make([]float64, np*np)
	g := make([]float64, np)
	noise := math.Sqrt(x.noiseMM*x.noiseMM + x.stepMM*x.stepMM/12)
	for i := 0; float64(i)*simStep < at; i++ {
		if x.inGap(float64(i) * simStep) {
			continue
		}
		row(i, g)
		h := x.vessel.height(v0 * (1 + x.truth[i]/100))
		sd := noise * x.vessel.area(h) / v0 * 100
		w := simStep / x.every / (sd * sd)
		for a := range np {
			for b := range np {
				info[a*np+b] += w * g[a] * g[b]
			}
		}
	}
	for a := range np {
		info[a*np+a] += 1e-12
	}
	if !lsq.Cholesky(info, np) {
		return math.NaN()
	}
	i := int(x.doubled / simStep)
	row(i, g)
	g[3] = 0 // the goal is twice the start, whatever it is: only its trace in the level counts
	g[3] = 0
	slope := (x.truth[i+1] - x.truth[i]) / simStep
	z := append([]float64(nil), g...)
	lsq.SolveCholesky(info, np, z)
	var variance float64
	for a := range np {
		variance += z[a] * g[a]
	}
	return math.Sqrt(variance) / slope * 60
}

// table runs the campaign and prints it.
func table(n int, base uint64, kind int) string {
	results := make([][5]verdict, n)
	kinds := make([]int, n)
	var wg sync.WaitGroup
	work := make(chan int)
	for range 2 {
		wg.Go(func() {
			for i := range work {
				kinds[i] = i % 4
				if kind >= 0 {
					kinds[i] = kind
				}
				results[i] = judge(newRise(base*1_000_000+uint64(i), kinds[i]))
			}
		})
	}
	for i := range n {
		work <- i
	}
	close(work)
	wg.Wait()
	return render(results, kinds)
}

func render(results [][5]verdict, kinds []int) string {
	var out tableText
	w := tabwriter.NewWriter(&out, 0, 8, 2, ' ', 0)
	fmt.Fprint(w, "minutes before doubling")
	for _, c := range columns {
		fmt.Fprintf(w, "\t%.0f", c)
	}
	fmt.Fprintln(w)
	line := func(name string, get func(c int) string) {
		fmt.Fprint(w, name)
		for c := range columns {
			fmt.Fprint(w, "\t", get(c))
		}
		fmt.Fprintln(w)
	}
	pick := func(c, kind int, get func(v verdict) float64) []float64 {
		var xs []float64
		for i, r := range results {
			if v := r[c]; v.present && (kind < 0 || kinds[i] == kind) {
				if x := get(v); !math.IsNaN(x) {
					xs = append(xs, x)
				}
			}
		}
		sort.Float64s(xs)
		return xs
	}
	pair := func(xs []float64) string {
		return fmt.Sprintf("%.1f / %.1f", at(xs, 0.5), at(xs, 0.9))
	}
	line("rises", func(c int) string {
		return fmt.Sprint(len(pick(c, -1, func(v verdict) float64 { return 0 })))
	})
	line("ours, median / 90th", func(c int) string { return pair(pick(c, -1, func(v verdict) float64 { return v.ours })) })
	line("straight line, best window", func(c int) string {
		best := []float64{math.Inf(1)}
		for k := range 3 {
			if xs := pick(c, -1, func(v verdict) float64 { return v.line[k] }); at(xs, 0.5) < at(best, 0.5) {
				best = xs
			}
		}
		return pair(best)
	})
	line("plain Gompertz", func(c int) string { return pair(pick(c, -1, func(v verdict) float64 { return v.plain })) })
	line("Cramér-Rao bound", func(c int) string { return pair(boundErrors(pick(c, -1, func(v verdict) float64 { return v.bound }))) })
	line("within 5 min, ours / bound", func(c int) string {
		ours := pick(c, -1, func(v verdict) float64 { return v.ours })
		bound := boundErrors(pick(c, -1, func(v verdict) float64 { return v.bound }))
		return fmt.Sprintf("%.0f %% / %.0f %%", 100*within(ours, 5), 100*within(bound, 5))
	})
	line("80 % interval covers", func(c int) string {
		return fmt.Sprintf("%.1f %%", 100*mean(pick(c, -1, covered)))
	})
	line("its median width", func(c int) string {
		return fmt.Sprintf("%.1f", at(pick(c, -1, func(v verdict) float64 { return v.width }), 0.5))
	})
	line("median signed error", func(c int) string {
		return fmt.Sprintf("%+.1f", at(pick(c, -1, func(v verdict) float64 { return v.signed }), 0.5))
	})
	for k := range 4 {
		if len(pick(4, k, covered)) == 0 {
			continue
		}
		name := newProcess(newRise(1, k).rng, k).name()
		line("  "+name, func(c int) string {
			return pair(pick(c, k, func(v verdict) float64 { return v.ours }))
		})
		line("    bound", func(c int) string { return pair(boundErrors(pick(c, k, func(v verdict) float64 { return v.bound }))) })
		line("    covers, signed", func(c int) string {
			return fmt.Sprintf("%.0f %%, %+.1f", 100*mean(pick(c, k, covered)), at(pick(c, k, func(v verdict) float64 { return v.signed }), 0.5))
		})
	}
	if err := w.Flush(); err != nil {
		return err.Error()
	}
	return string(out)
}

type tableText []byte

func (t *tableText) Write(b []byte) (int, error) { *t = append(*t, b...); return len(b), nil }

func covered(v verdict) float64 {
	if v.covered {
		return 1
	}
	return 0
}

// boundErrors turns standard deviations into the absolute errors they allow.
func boundErrors(sds []float64) []float64 {
	var xs []float64
	for _, sd := range sds {
		for k := range 20 {
			xs = append(xs, min(never, sd*math.Sqrt2*math.Erfinv((float64(k)+0.5)/20)))
		}
	}
	sort.Float64s(xs)
	return xs
}

// within is the share of sorted values up to a limit.
func within(sorted []float64, limit float64) float64 {
	return float64(sort.Search(len(sorted), func(i int) bool { return sorted[i] > limit })) / float64(len(sorted))
}

func at(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

func mean(xs []float64) float64 {
	var sum float64
	for _, x := range xs {
		sum += x
	}
	return sum / float64(len(xs))
}

// BenchmarkAccuracy prints the accuracy table. Run it with -benchtime=1x.
func BenchmarkAccuracy(b *testing.B) {
	for b.Loop() {
		fmt.Fprint(os.Stderr, table(*riseCount, *seedBase, *onlyKind))
	}
}

func median(xs []float64) float64 {
	sorted := append([]float64(nil), xs...)
	sort.Float64s(sorted)
	return at(sorted, 0.5)
}
