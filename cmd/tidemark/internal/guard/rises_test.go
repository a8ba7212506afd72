package guard

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// truth is what the maker of a simulated rise knows of it.
type truth struct {
	Simulated string     `json:"simulated"`
	Start     time.Time  `json:"start"`
	Doubled   *time.Time `json:"doubled"`
	Peak      time.Time  `json:"peak"`
	OvenOnset *time.Time `json:"oven_onset"`
	Rise      []float64  `json:"rise_percent_each_30_min"`
}

// golden is what the program said of a record when it was found right.
type golden struct {
	Alerts  []told    `json:"alerts"`
	Phases  []told    `json:"phases"`
	Percent []percent `json:"percent"`
}

type told struct {
	Kind string    `json:"kind"`
	At   time.Time `json:"at"`
}

type percent struct {
	At   time.Time `json:"at"`
	Rise float64   `json:"rise"`
}

// sightKinds are told of the sensor, not of the dough. The readings decide about them:
// they must come in a gap and may come where readings hang or jump.
func sightKinds() []string { return []string{"sensor_lost", "sensor_suspect", "probe_lost"} }

// TestReplay plays records of rises and holds the answers against the truth, where the
// maker of the rise wrote it down, and against the answers found right before.
func TestReplay(t *testing.T) {
	t.Parallel()
	records, err := filepath.Glob("testdata/simulated-*.csv")
	require.NoError(t, err)
	require.NotEmpty(t, records, "testdata holds no record")
	if !*all && !*update {
		quick := []string{"003", "021", "035"}
		records = slices.DeleteFunc(records, func(f string) bool {
			return !slices.ContainsFunc(quick, func(q string) bool { return strings.Contains(f, q) })
		})
	}
	for _, f := range records {
		name := strings.TrimSuffix(filepath.Base(f), ".csv")
		run(t, name, func(t *testing.T, c *check) {
			var tr truth
			readJSON(t, "testdata/"+name+".truth.json", &tr)
			checkRecord(t, c, "testdata/"+name+".yaml", "v", f, &tr)
		})
	}
	const recorded = "../../../../testdata/records/"
	for _, vessel := range []string{"jar", "tub"} {
		run(t, "recorded "+vessel, func(t *testing.T, c *check) {
			checkRecord(t, c, recorded+"vessels.yaml", vessel, recorded+"invented-"+vessel+".csv", nil)
		})
	}
}

func readJSON(t *testing.T, file string, into any) {
	t.Helper()
	body, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(body, into))
}

// checkRecord plays one record; truth may be nil.
func checkRecord(t *testing.T, c *check, configFile, vessel, record string, tr *truth) {
	t.Helper()
	lines, err := replayJSON(program, configFile, vessel, record)
	require.NoError(t, err)
	require.NotEmpty(t, lines)
	got := goldenOf(lines)
	file := filepath.Join("testdata", strings.TrimSuffix(filepath.Base(record), ".csv")+".golden.json")
	if *update {
		checkTruth(c, tr, got)
		if len(c.problems) == 0 {
			body, err := json.MarshalIndent(got, "", " ")
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(file, append(body, '\n'), 0o644))
		}
		return
	}
	var want golden
	readJSON(t, file, &want)
	checkTruth(c, tr, got)
	last := lines[len(lines)-1].Time.Add(-5 * time.Minute) // what comes as the record ends may come or not
	checkTold(c, "alert", until(last, dough(want.Alerts)), until(last, dough(got.Alerts)))
	checkSight(t, c, record, got.Alerts, want.Alerts)
	checkTold(c, "phase", until(last, lasting(want.Phases)), until(last, lasting(got.Phases)))
	checkPercent(c, tr, want.Percent, got.Percent)
}

// goldenOf draws together what was said.
func goldenOf(lines []line) golden {
	var g golden
	next := lines[0].Time
	for _, l := range lines {
		for _, a := range l.Alerts {
			g.Alerts = append(g.Alerts, told{a.Kind, l.Time})
		}
		if n := len(g.Phases); n == 0 || g.Phases[n-1].Kind != l.Phase {
			g.Phases = append(g.Phases, told{l.Phase, l.Time})
		}
		if !l.Time.Before(next) {
			next = next.Add(30 * time.Minute)
			if l.RisePercent != nil {
				g.Percent = append(g.Percent, percent{l.Time, math.Round(*l.RisePercent*10) / 10})
			}
		}
	}
	return g
}

// dough leaves out what is told of the sensor.
func dough(all []told) []told {
	return slices.DeleteFunc(slices.Clone(all), func(x told) bool { return slices.Contains(sightKinds(), x.Kind) })
}

// until leaves out what is later.
func until(last time.Time, all []told) []told {
	return slices.DeleteFunc(slices.Clone(all), func(x told) bool { return x.At.After(last) })
}

// lasting leaves out phases that did not last five minutes, and the first ones, whose
// border is a matter of taste.
func lasting(all []told) []told {
	var out []told
	for i, p := range all {
		short := i+1 < len(all) && all[i+1].At.Sub(p.At) < 5*time.Minute
		if short || p.Kind == "idle" || p.Kind == "settling" || p.Kind == "lag" || (len(out) > 0 && out[len(out)-1].Kind == p.Kind) {
			continue
		}
		out = append(out, p)
	}
	return out
}

// checkTold compares what was told in order, each within its tolerance. The oven has
// nothing to do with the dough and may come before or after.
func checkTold(c *check, what string, want, got []told) {
	c.equal(what+"s in order", ovenLast(names(want)), ovenLast(names(got)))
	for _, w := range want {
		if i := slices.IndexFunc(got, func(g told) bool { return g.Kind == w.Kind }); i >= 0 {
			c.moment(what+" "+w.Kind, w.At, got[i].At, phaseTolerance(w.Kind))
		}
	}
}

// names lists the kinds in order.
func names(all []told) []string {
	var out []string
	for _, x := range all {
		out = append(out, x.Kind)
	}
	return out
}

// ovenLast leaves the order but for the oven.
func ovenLast(kinds []string) []string {
	slices.SortStableFunc(kinds, func(a, b string) int { return strings.Count(a, "oven") - strings.Count(b, "oven") })
	return kinds
}

// phaseTolerance is how far a phase or an alert may move.
func phaseTolerance(kind string) time.Duration {
	if kind == "ready" {
		return tolerance("reached")
	}
	return tolerance(kind)
}

// checkTruth holds the answers against what really happened.
func checkTruth(c *check, tr *truth, got golden) {
	if tr == nil {
		return
	}
	at := func(kind string) time.Time {
		for _, a := range got.Alerts {
			if a.Kind == kind {
				return a.At
			}
		}
		return time.Time{}
	}
	reached, near := at("reached"), at("near")
	switch {
	case tr.Doubled == nil:
		c.that(reached.IsZero(), "reached is told at %s, the dough never doubles", reached.Format("15:04"))
	case reached.IsZero():
		c.wrong("reached is never told; the dough doubles at %s", tr.Doubled.Format("15:04"))
	default:
		c.fact("reached %+.0f min from the truth", reached.Sub(*tr.Doubled).Minutes())
		c.moment("reached against the truth", *tr.Doubled, reached, tolerance("reached"))
		c.that(!near.IsZero() && near.Before(reached), "near is told at %s, reached at %s", near.Format("15:04"), reached.Format("15:04"))
		c.fact("near %.0f min before", tr.Doubled.Sub(near).Minutes())
	}
	oven := at("oven_heating")
	if tr.OvenOnset == nil {
		c.that(oven.IsZero(), "an oven is told at %s where none is", oven.Format("15:04"))
		return
	}
	c.moment("oven_heating against the truth", tr.OvenOnset.Add(4*time.Minute), oven, tolerance("oven_heating"))
	c.fact("oven told after %.0f min", oven.Sub(*tr.OvenOnset).Minutes())
}

// lostAfter is the usual time without a level after which it is said so.
const lostAfter = 5 * time.Minute

// checkSight holds what is told of the sensor against the readings: a gap must be
// told in time, and what is told without one must have been told before.
func checkSight(t *testing.T, c *check, record string, got, before []told) {
	t.Helper()
	gaps := gapsOf(t, record)
	for _, g := range gaps {
		if g[1].Sub(g[0]) < lostAfter+2*time.Minute {
			continue
		}
		c.that(slices.ContainsFunc(got, func(x told) bool {
			return x.Kind == "sensor_lost" && x.At.After(g[0]) && x.At.Before(g[0].Add(lostAfter+5*time.Minute))
		}), "no reading from %s to %s and sensor_lost is not told", g[0].Format("15:04"), g[1].Format("15:04"))
	}
	for _, x := range got {
		if !slices.Contains(sightKinds(), x.Kind) {
			continue
		}
		inGap := slices.ContainsFunc(gaps, func(g [2]time.Time) bool { return x.At.After(g[0]) && x.At.Before(g[1].Add(5*time.Minute)) })
		known := slices.ContainsFunc(before, func(b told) bool { return b.Kind == x.Kind && b.At.Sub(x.At).Abs() < 20*time.Minute })
		c.that(inGap || known, "%s is told at %s while readings come, as it was not before", x.Kind, x.At.Format("15:04"))
	}
}

// gapsOf finds the stretches of a record without a distance, 3 minutes or longer.
func gapsOf(t *testing.T, record string) [][2]time.Time {
	t.Helper()
	f, err := os.Open(record)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out [][2]time.Time
	var last time.Time
	for _, r := range rows[1:] {
		at, err := time.Parse(time.RFC3339, r[0])
		require.NoError(t, err)
		if r[1] == "" {
			continue
		}
		if !last.IsZero() && at.Sub(last) > 3*time.Minute {
			out = append(out, [2]time.Time{last, at})
		}
		last = at
	}
	return out
}

// checkPercent holds the rise against the truth and the answers before: it may move,
// but not away from the truth.
func checkPercent(c *check, tr *truth, want, got []percent) {
	worst := 0.0
	for _, w := range want {
		i := slices.IndexFunc(got, func(g percent) bool { return g.At.Sub(w.At).Abs() <= time.Minute })
		if i < 0 {
			c.wrong("no rise is known at %s", w.At.Format("15:04"))
			continue
		}
		if tr == nil {
			c.near("rise at "+w.At.Format("15:04"), w.Rise, got[i].Rise, 6)
			worst = max(worst, math.Abs(w.Rise-got[i].Rise))
			continue
		}
		k := int((w.At.Sub(tr.Start) + time.Minute) / (30 * time.Minute))
		if k >= len(tr.Rise) {
			continue
		}
		was, is := math.Abs(w.Rise-tr.Rise[k]), math.Abs(got[i].Rise-tr.Rise[k])
		worst = max(worst, is)
		c.that(is <= max(8, was+4), "rise at %s is %.1f %%, truly %.1f %%; it was %.1f %% before", w.At.Format("15:04"), got[i].Rise, tr.Rise[k], w.Rise)
	}
	c.fact("rise at most %.1f points off", worst)
}
