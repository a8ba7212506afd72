package estimator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
)

// The filter against another one: KalmanRun of the package stats that comes with
// R. It knows even steps only; uneven ones are made by leaving readings out of an
// even grid, which it steps over.

// rSeries is a series on an even grid (NaN for no reading) with the model that
// both filters use. The first reading must be there.
type rSeries struct {
	y                         []float64
	dt, levelQ, rateQ, rateSD float64
	variance                  float64
}

// rAnswer is what a filter makes of a series: the states after every grid point
// from the second on, the last covariance and the log-likelihood of the readings
// from the second on.
type rAnswer struct {
	level, rate   []float64
	p11, p12, p22 float64
	logLik        float64
	nanos         float64 // per grid point, of the filter alone
	version       string
}

// rScript reads the series from a file and filters it a number of times. R's
// likelihood comes scaled: Lik = (log(s2) + mean(log F)) / 2 and s2 = mean(v^2/F)
// give back the sums. Both filters begin with the state after the first reading.
const rScript = `
args <- commandArgs(trailingOnly = TRUE)
p <- as.numeric(args[2:6])
y <- scan(args[1], quiet = TRUE, na.strings = "NaN")
dt <- p[1]
V <- p[3] * matrix(c(dt^3/3, dt^2/2, dt^2/2, dt), 2, 2) + matrix(c(p[2]*dt, 0, 0, 0), 2, 2)
P <- diag(c(p[5], p[4]^2))
mod <- list(T = matrix(c(1, 0, dt, 1), 2, 2), Z = c(1, 0), h = p[5], V = V, a = c(y[1], 0), P = P, Pn = P)
times <- as.integer(args[7])
took <- system.time(for (i in seq_len(times)) r <- KalmanRun(y[-1], mod, nit = -1L, update = TRUE))
n <- sum(!is.na(r$resid))
F <- n * (2 * r$values[["Lik"]] - log(r$values[["s2"]]))
last <- attr(r, "mod")$P
cat(R.version.string, "\n", sep = "")
cat(sprintf("%.17g", c(1e9 * took[["elapsed"]] / times / length(y), -0.5 * (n * log(2 * pi) + F + n * r$values[["s2"]]), last[1, 1], last[1, 2], last[2, 2])), sep = "\n")
if (times == 1) cat(sprintf("%.17g", t(r$states)), sep = "\n")
`

// askR filters a series with R, or skips: R is no part of what the service
// needs.
func askR(tb testing.TB, s rSeries, times int) rAnswer {
	tb.Helper()
	program := outsidetest.Program(tb, "r-base-core", "Rscript")
	dir := tb.TempDir()
	var text strings.Builder
	for _, v := range s.y {
		fmt.Fprintln(&text, strconv.FormatFloat(v, 'g', -1, 64))
	}
	series, script := filepath.Join(dir, "series"), filepath.Join(dir, "filter.R")
	require.NoError(tb, os.WriteFile(series, []byte(text.String()), 0o600))
	require.NoError(tb, os.WriteFile(script, []byte(rScript), 0o600))
	args := []string{"--vanilla", script, series}
	for _, v := range []float64{s.dt, s.levelQ, s.rateQ, s.rateSD, s.variance, float64(times)} {
		args = append(args, strconv.FormatFloat(v, 'g', -1, 64))
	}
	out, err := exec.Command(program, args...).Output()
	require.NoError(tb, err, "Rscript")
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	a := rAnswer{version: lines[0]}
	var number []float64
	for _, l := range lines[1:] {
		v, err := strconv.ParseFloat(l, 64)
		require.NoError(tb, err)
		number = append(number, v)
	}
	a.nanos, a.logLik, a.p11, a.p12, a.p22 = number[0], number[1], number[2], number[3], number[4]
	for i := 5; i+1 < len(number); i += 2 {
		a.level, a.rate = append(a.level, number[i]), append(a.rate, number[i+1])
	}
	return a
}

// filterSeries is the same by the filter here. Where a reading is left out, it
// makes one long step to the next one, and the states in between are not kept.
func filterSeries(s rSeries, keep bool) rAnswer {
	f := newTrend(s.levelQ, s.rateQ, s.rateSD)
	f.update(s.y[0], s.variance)
	var a rAnswer
	missing := 0
	began := time.Now()
	for _, v := range s.y[1:] {
		missing++
		seen := !math.IsNaN(v)
		if seen {
			f.predict(float64(missing) * s.dt)
			f.update(v, s.variance)
			missing = 0
		}
		switch {
		case keep && seen:
			a.level, a.rate = append(a.level, f.level), append(a.rate, f.rate)
		case keep:
			a.level, a.rate = append(a.level, math.NaN()), append(a.rate, math.NaN())
		}
	}
	a.nanos = float64(time.Since(began).Nanoseconds()) / float64(len(s.y))
	f.predict(float64(missing) * s.dt)
	a.p11, a.p12, a.p22, a.logLik = f.p11, f.p12, f.p22, f.logLik
	return a
}

// kitchenSeries is an invented rise of a tub read every half minute, in mm and
// hours, with the filter's own model; a share of the readings is left out.
func kitchenSeries(n int, lost float64) rSeries {
	rng := rand.New(rand.NewPCG(3, 11))
	s := rSeries{dt: bucketHours, rateQ: sq(rateDrift * 60), rateSD: 0.15 * 60, variance: 0.3}
	for i := range n {
		h := math.Mod(float64(i)*s.dt, 8)
		y := 60 + 70/(1+math.Exp(-(h-4)/0.8)) + math.Sqrt(s.variance)*rng.NormFloat64()
		if i > 0 && rng.Float64() < lost {
			y = math.NaN()
		}
		s.y = append(s.y, y)
	}
	return s
}

func TestFilterAgainstR(t *testing.T) {
	walk := rSeries{y: nile(), dt: 1, levelQ: 1469.1, variance: 15099}
	rise := kitchenSeries(960, 0)
	holes := kitchenSeries(960, 0.4)
	mixed := kitchenSeries(300, 0.2)
	mixed.levelQ = 4
	for name, s := range map[string]rSeries{"Nile": walk, "rise": rise, "rise with holes": holes, "walk on top": mixed} {
		t.Run(name, func(t *testing.T) {
			want, got := askR(t, s, 1), filterSeries(s, true)
			t.Logf("%s, %d points", want.version, len(s.y))
			require.Len(t, got.level, len(want.level))
			require.Len(t, got.level, len(s.y)-1)
			for i := range got.level {
				if math.IsNaN(got.level[i]) {
					continue
				}
				require.InEpsilon(t, want.level[i], got.level[i], 1e-10, "level %d", i)
				require.InDelta(t, want.rate[i], got.rate[i], 1e-8, "rate %d", i)
			}
			assert.InEpsilon(t, want.p11, got.p11, 1e-9)
			assert.InDelta(t, want.p12, got.p12, 1e-9*(1+want.p12))
			assert.InDelta(t, want.p22, got.p22, 1e-9*(1+want.p22))
			assert.InEpsilon(t, want.logLik, got.logLik, 1e-9, "log-likelihood")
		})
	}
}

// BenchmarkFilterBesideR filters one series with both, in one run. R's KalmanRun
// is compiled code of R; it also writes out all states and residuals.
func BenchmarkFilterBesideR(b *testing.B) {
	s := kitchenSeries(100_000, 0)
	r := askR(b, s, 20)
	var ours float64
	for b.Loop() {
		ours = filterSeries(s, false).nanos
	}
	b.ReportMetric(ours, "ns/sample")
	b.ReportMetric(r.nanos, "R-ns/sample")
	b.ReportMetric(r.nanos/ours, "R/ours")
	b.Logf("%s, KalmanRun", r.version)
}
