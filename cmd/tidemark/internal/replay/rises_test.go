package replay

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/deploy/outsidetest"
)

var risesDir = flag.String("rises", "../../../../testdata/rises", "folder of simulated rises with their truth, for BenchmarkRises")

// leads are the minutes before the true doubling at which the forecast is asked.
var leads = [...]int{180, 120, 60, 30, 15}

// truth is what the maker of a simulated rise knows of it.
type truth struct {
	Start   time.Time  `json:"start"`
	Doubled *time.Time `json:"doubled"`
	Peak    time.Time  `json:"peak"`
	PeakPct float64    `json:"peak_pct"`
	Kind    string     `json:"kind"`
	RisePct []float64  `json:"rise_pct"` // one a minute
}

// said is one line of the replay.
type said struct {
	Time       time.Time   `json:"time"`
	Rise       *float64    `json:"rise_percent"`
	SD         *float64    `json:"rise_sd"`
	Ready      *time.Time  `json:"ready_at"`
	ReadyFrom  *time.Time  `json:"ready_from"`
	ReadyUntil *time.Time  `json:"ready_until"`
	GoodUntil  *time.Time  `json:"good_until"`
	Alerts     []alertLine `json:"alerts"`
}

// first is the line with the first alarm of one of the kinds; nil without.
func first(lines []said, kinds ...string) *said {
	for i := range lines {
		for _, a := range lines[i].Alerts {
			if slices.Contains(kinds, a.Kind) {
				return &lines[i]
			}
		}
	}
	return nil
}

// before is the last line up to a time that knows the rise; nil without.
func before(lines []said, at time.Time) *said {
	var out *said
	for i := range lines {
		if lines[i].Time.After(at) {
			break
		}
		if lines[i].Rise != nil {
			out = &lines[i]
		}
	}
	return out
}

// playedRise is a rise with what was said of it.
type playedRise struct {
	name  string
	truth truth
	lines []said
}

// playRises replays the rises of a folder whose names fit. It fails when there is none.
func playRises(tb testing.TB, dir, names string) []playedRise {
	tb.Helper()
	files, err := filepath.Glob(filepath.Join(dir, names+".json"))
	require.NoError(tb, err)
	require.NotEmpty(tb, files, "%s holds no rises", dir)
	out, errs := make([]playedRise, len(files)), make([]error, len(files))
	busy := make(chan bool, runtime.GOMAXPROCS(0))
	var all sync.WaitGroup
	for i, f := range files {
		busy <- true
		all.Go(func() {
			out[i], errs[i] = playRise(tb, strings.TrimSuffix(f, ".json"))
			<-busy
		})
	}
	all.Wait()
	for i := range errs {
		require.NoError(tb, errs[i], files[i])
	}
	return out
}

// playRise replays one rise, named without its ending.
func playRise(tb testing.TB, base string) (playedRise, error) {
	p := playedRise{name: filepath.Base(base)}
	if err := p.readTruth(base); err != nil {
		return p, err
	}
	cfg, err := config.Load(base+".yaml", config.WithoutSensors)
	if err != nil {
		return p, err
	}
	var buf bytes.Buffer
	o := Options{Config: cfg, Record: base + ".csv", Out: &buf, JSON: true}
	if err := Check(tb.Context(), &o); err != nil {
		return p, err
	}
	if err := Run(tb.Context(), o); err != nil {
		return p, err
	}
	p.lines, err = linesOf(&buf)
	return p, err
}

// readTruth reads what the maker knows.
func (p *playedRise) readTruth(base string) error {
	body, err := os.ReadFile(base + ".json")
	if err == nil {
		err = json.Unmarshal(body, &p.truth)
	}
	return err
}

// linesOf reads what a replay said.
func linesOf(r io.Reader) (out []said, err error) {
	for dec := json.NewDecoder(r); dec.More(); {
		var s said
		if err := dec.Decode(&s); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// column is what was said some minutes before the doubling.
type column struct {
	asked, given, held   int
	errors, line, widths []float64 // minutes
	riseErrors, ratio    []float64 // points of rise; |error|/sd
}

// score is what a set of rises comes to.
type score struct {
	columns              [len(leads)]column
	doubling             int
	near                 []float64 // told, minutes after doubling - 30 min
	noNear, silent, late int       // no near; neither near nor reached; near after the doubling
	needless             int
	overMissed           int
	overEarly            int
	good, peaks          []float64 // minutes off
}

// scoreOf holds what was said against the truth.
func scoreOf(rises []playedRise) *score {
	s := &score{}
	for i := range rises {
		s.add(&rises[i])
	}
	return s
}

// add takes a rise in.
func (s *score) add(p *playedRise) {
	near := first(p.lines, "near")
	if p.truth.Doubled == nil {
		if near != nil && p.truth.PeakPct < 85 {
			s.needless++
		}
		return
	}
	s.doubling++
	doubled := *p.truth.Doubled
	switch {
	case near != nil:
		s.near = append(s.near, near.Time.Sub(doubled).Minutes()+30)
		if near.Time.After(doubled) {
			s.late++
		}
	default:
		s.noNear++
		if first(p.lines, "reached") == nil {
			s.silent++
		}
	}
	s.addEnds(p, doubled)
	for i, m := range leads {
		if at := doubled.Add(-time.Duration(m) * time.Minute); at.Sub(p.truth.Start) >= 45*time.Minute {
			s.columns[i].add(p, at)
		}
	}
}

// addEnds takes in what was said of the end of growth.
func (s *score) addEnds(p *playedRise, doubled time.Time) {
	if l := before(p.lines, doubled); l != nil && l.GoodUntil != nil {
		s.good = append(s.good, math.Abs(l.GoodUntil.Sub(p.truth.Peak).Minutes()))
	}
	over, peak := first(p.lines, "over", "exhausted"), first(p.lines, "starter_peak")
	switch {
	case p.truth.Kind == "starter" && peak == nil:
		s.peaks = append(s.peaks, math.Inf(1))
	case p.truth.Kind == "starter":
		s.peaks = append(s.peaks, math.Abs(peak.Time.Sub(p.truth.Peak).Minutes()))
	case over == nil && p.truth.PeakPct > 120:
		s.overMissed++
	case over != nil && over.Time.Before(doubled.Add(-20*time.Minute)):
		s.overEarly++
	}
}

// add takes in what was said at a time.
func (c *column) add(p *playedRise, at time.Time) {
	c.asked++
	l := before(p.lines, at)
	if l == nil {
		return
	}
	k := int(l.Time.Sub(p.truth.Start).Round(time.Minute).Minutes())
	if k < 0 || k >= len(p.truth.RisePct) {
		return
	}
	e := *l.Rise - p.truth.RisePct[k]
	c.riseErrors = append(c.riseErrors, math.Abs(e))
	if l.SD != nil && *l.SD > 0 {
		c.ratio = append(c.ratio, math.Abs(e) / *l.SD)
	}
	doubled := *p.truth.Doubled
	if past := before(p.lines, l.Time.Add(-time.Hour)); past != nil && *l.Rise > *past.Rise {
		left := (100 - *l.Rise) / (*l.Rise - *past.Rise) * l.Time.Sub(past.Time).Minutes()
		c.line = append(c.line, math.Abs(left-doubled.Sub(l.Time).Minutes()))
	}
	if l.Ready == nil {
		return
	}
	c.given++
	c.errors = append(c.errors, math.Abs(l.Ready.Sub(doubled).Minutes()))
	c.widths = append(c.widths, l.ReadyUntil.Sub(*l.ReadyFrom).Minutes())
	if !l.ReadyFrom.After(doubled) && !l.ReadyUntil.Before(doubled) {
		c.held++
	}
}

// quantile is that of the values; NaN of none.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return x[int(q*float64(len(x)-1)+0.5)]
}

// within counts the values that are at most m from zero.
func within(x []float64, m float64) int {
	n := 0
	for _, v := range x {
		if math.Abs(v) <= m {
			n++
		}
	}
	return n
}

// held is the share of the 80 % intervals over all columns that hold.
func (s *score) held() float64 {
	held, given := 0, 0
	for i := range s.columns {
		held, given = held+s.columns[i].held, given+s.columns[i].given
	}
	return float64(held) / math.Max(1, float64(given))
}

// String is the table.
func (s *score) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "min before | given/asked | error, median p90 | straight line | 80 %% holds | width | rise error, median p90 | error/sd\n")
	for i, m := range leads {
		c := &s.columns[i]
		fmt.Fprintf(&b, "%10d | %d/%d | %.1f %.1f | %.1f %.1f | %.0f %% | %.0f | %.1f %.1f | %.2f\n", m, c.given, c.asked,
			quantile(c.errors, 0.5), quantile(c.errors, 0.9), quantile(c.line, 0.5), quantile(c.line, 0.9),
			100*float64(c.held)/math.Max(1, float64(c.given)), quantile(c.widths, 0.5),
			quantile(c.riseErrors, 0.5), quantile(c.riseErrors, 0.9), quantile(c.ratio, 0.5))
	}
	fmt.Fprintf(&b, "80 %% intervals hold over all: %.0f %%\n", 100*s.held())
	fmt.Fprintf(&b, "near: of %d within 10 min of 30 min before %d, none %d (nor reached %d), after the doubling %d, needless %d\n",
		s.doubling, within(s.near, 10), s.noNear, s.silent, s.late, s.needless)
	fmt.Fprintf(&b, "over: missed %d, more than 20 min before the doubling %d; starter's peak within 20 min %d of %d\n",
		s.overMissed, s.overEarly, within(s.peaks, 20), len(s.peaks))
	fmt.Fprintf(&b, "good_until as said at the doubling, minutes from the true peak: median %.0f p90 %.0f\n", quantile(s.good, 0.5), quantile(s.good, 0.9))
	return b.String()
}

// TestSimulatedRisesHoldTheFloor replays rises by a maker other than the estimator's,
// with the imperfections of cheap sensors, and holds what must never be lost: that
// something is told in each rise that doubles, and that the doubt of the present rise
// is honest (the median of |error|/sd of a normal error is 0.67).
func TestSimulatedRisesHoldTheFloor(t *testing.T) {
	t.Parallel()
	some, doubling := "*[02468]", 3 // half of them, but for CI
	if outsidetest.CI() {
		some, doubling = "*", 6
	}
	s := scoreOf(playRises(t, "../../../../testdata/rises", some))
	t.Log("\n" + s.String())
	require.GreaterOrEqual(t, s.doubling, doubling, "the rises are those that were chosen")
	require.Zero(t, s.silent, "neither near nor reached")
	require.Zero(t, s.overMissed, "overproof missed")
	for i, m := range leads {
		c := &s.columns[i]
		if m <= 120 {
			require.Equal(t, c.asked, c.given, "%d minutes before: a forecast", m)
		}
		require.Less(t, quantile(c.ratio, 0.5), 1.0, "%d minutes before: |error|/sd of the present rise", m)
	}
}

// BenchmarkRises prints the table over the folder given by -rises.
func BenchmarkRises(b *testing.B) {
	var s *score
	n := 0
	for b.Loop() {
		rises := playRises(b, *risesDir, "*")
		s, n = scoreOf(rises), len(rises)
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(n*b.N), "s/rise")
	fmt.Printf("%d simulated rises of %s\n%s", n, *risesDir, s) // a log is cut off
}
