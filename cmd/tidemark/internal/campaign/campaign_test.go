// Package campaign puts tidemark through what a kitchen and a cheap computer do to it
// and counts what was lost: kill -9, power cuts, a full disk, a damaged database,
// sensors that die and come back, clocks that are set, sleep, a bad network.
//
//	go test ./cmd/tidemark/internal/campaign -faults -v              the whole campaign
//	go test ./cmd/tidemark/internal/campaign -faults -trials 5 -v    a few of each
//	go test ./cmd/tidemark/internal/campaign -faults -run 'Faults/kill' -v
//
// It plays the invented household of package sensor/sensortest/virtual into the same pipeline and
// the same history as the live daemon, by a clock that runs as fast as the machine
// can. The same day without a fault says which warnings belong to it. All data is
// invented.
//
// Bounds: no rise lost, no warning missed, none false, and of the readings at most the
// last minute before the fault. A warning counts as missed as well when it or its
// notification comes later than the fault excuses, and as false when its notification comes twice,
// out of order or after the answer.
//
// It holds the program to what can be seen from outside; only watch_test.go knows how
// a watch is wired.
package campaign

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"tidemark/sensor/sensortest/virtual"
)

var (
	withFaults = flag.Bool("faults", false, "run the campaign of faults")
	maxTrials  = flag.Int("trials", 0, "at most so many of each fault; 0 for all")
	seed       = flag.Uint64("seed", 1, "chance of the campaign; the same number gives the same faults")
)

// TestMain plays the part of the process that is killed or traced when it is called as
// such.
func TestMain(m *testing.M) {
	if args := os.Getenv(childArgs); args != "" {
		playChild(strings.Fields(args))
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// result is one row of the table.
type result struct {
	trials, rises, missed, tooMany int
	lost                           time.Duration // the most readings that were lost before one fault
	note                           string
	findings                       []string // what was lost, missed or false, in words
}

// campaign is what every row works with.
type campaign struct {
	*testing.T
	dice  *rand.Rand
	plain ledger        // of the undisturbed day
	took  time.Duration // to play it
}

// TestFaults runs every fault and prints the table.
func TestFaults(t *testing.T) {
	if !*withFaults {
		t.Skip("takes minutes: ask for it with -faults, few of each with -trials 5")
	}
	began := time.Now()
	plain := play(trouble{})
	took := time.Since(began)
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "the undisturbed day: %d rises, %d warnings, %s; all data is invented\n", len(plain.rises), len(plain.warnings()), took.Round(10*time.Millisecond))
	fmt.Fprintln(w, "fault\ttrials\treadings lost, most\trises lost\twarnings missed\tfalse\ttook\tnote")
	for i, row := range []struct {
		name, what string
		trials     int
		run        func(c *campaign, r *result, trials int)
	}{
		{"kill", "kill -9 at a random moment", 500, killed},
		{"power", "power cut, unsynced writes dropped", 500, powerCut},
		{"full", "disk full", 40, diskFull},
		{"damage", "database damaged at random pages", 100, damaged},
		{"sensors", "sensors die and come back", 60, deadSensors},
		{"clock", "wall clock set, drifts, daylight saving changes", 60, clockSet},
		{"sleep", "the machine sleeps for minutes", 30, asleep},
		{"network", "the ways to the household fail", 60, badNetwork},
	} {
		t.Run(row.name, func(t *testing.T) {
			n := row.trials
			if *maxTrials > 0 {
				n = min(n, *maxTrials)
			}
			began, r := time.Now(), &result{}
			row.run(&campaign{t, rand.New(rand.NewPCG(*seed, uint64(i))), plain, took}, r, n)
			for _, f := range r.findings {
				t.Error(f)
			}
			if r.trials == 0 {
				t.Error("nothing was tried")
			}
			fmt.Fprintf(w, "%s\t%d\t%s\t%d\t%d\t%d\t%s\t%s\n", row.what, r.trials, r.lost, r.rises, r.missed, r.tooMany, time.Since(began).Round(100*time.Millisecond), r.note)
		})
	}
	must(w.Flush())
	t.Log("\n" + b.String())
}

// say notes a finding, each only once.
func (r *result) say(format string, args ...any) {
	if line := fmt.Sprintf(format, args...); !slices.Contains(r.findings, line) {
		r.findings = append(r.findings, line)
	}
}

// maxLost is how much of the readings a fault may cost.
const maxLost = time.Minute

// lose takes in a stretch of readings that is not there.
func (r *result) lose(vessel string, span time.Duration, before time.Time) {
	if r.lost = max(r.lost, span); span > maxLost {
		r.say("%s of readings of %s lost before %s", span, vessel, before.Format(time.TimeOnly))
	}
}

// miss and extra count a warning that did not come, and one that should not have.
func (r *result) miss(format string, args ...any) {
	r.missed++
	r.say(format, args...)
}

func (r *result) extra(format string, args ...any) {
	r.tooMany++
	r.say(format, args...)
}

// compare counts the warnings that plain has and got lacks, and the other way round.
func (r *result) compare(plain, got []warning) {
	left := of(got, func(w warning) bool { return !w.ofFault() })
	for _, w := range plain {
		if i := slices.Index(left, w); i >= 0 {
			left = slices.Delete(left, i, i+1)
			continue
		}
		r.miss("missed %s of %s", w.kind, w.vessel)
	}
	for _, w := range left {
		r.extra("false %s of %s", w.kind, w.vessel)
	}
}

// countRises counts the rises of the story that are not in got: same vessel, start
// within two minutes of where stands puts it.
func (r *result) countRises(got []record, stands func(virtual.Act) time.Time) {
	for _, a := range story().Acts {
		if a.Event == "start" && a.At.Before(story().Until) && !slices.ContainsFunc(got, func(g record) bool { return g.vessel == a.Vessel && g.started.Sub(stands(a)).Abs() <= 2*time.Minute }) {
			r.rises++
			r.say("lost the rise of %s that began at %s", a.Vessel, a.At.Format(time.TimeOnly))
		}
	}
}

// asTold is where a rise stands by the kitchen's clock.
func asTold(a virtual.Act) time.Time { return a.At }

// gaps looks for readings that are not there although somebody watched: rows that lie
// farther apart than they were sampled, or, if even, nearer as well.
func (r *result) gaps(rises []record, even bool) {
	for _, rise := range rises {
		rows := rise.rows
		if !even {
			rows = append([]time.Time{rise.started}, rows...)
		}
		for i := 1; i < len(rows); i++ {
			off := rows[i].Sub(rows[i-1]) - stepEvery
			switch {
			case even && off.Abs() > unevenBy:
				r.say("rows of %s lie %s too far apart at %s", rise.vessel, off, rows[i].Format(time.DateTime))
				r.lost = max(r.lost, off.Abs())
			case !even && off > 0:
				r.lose(rise.vessel, off, rows[i])
			}
		}
	}
}

// unevenBy is how far two stored rows may lie from the distance at which they were
// sampled: a wall clock is followed when it is 2 s off.
const unevenBy = 3 * time.Second

// How far from its moment a warning may come when readings are missing or the clock
// was set: its hold time may begin anew, or the readings fall into other minutes. One
// that hangs on a forecast's doubt may take longer: see certain.
const (
	toldWithin  = 5 * time.Minute
	doubtWithin = 15 * time.Minute
)

// moments counts as missed the warnings that were not told at the same moment of the
// kitchen: exactly, or nearly. It returns the largest difference.
func (r *result) moments(name string, plain, got []telling, exact bool) (most time.Duration) {
	seen := map[warning][]time.Time{}
	for _, t := range got {
		seen[t.warning] = append(seen[t.warning], t.at)
	}
	for _, p := range plain {
		if len(seen[p.warning]) == 0 {
			continue // missed, and counted already
		}
		off := seen[p.warning][0].Sub(p.at)
		seen[p.warning] = seen[p.warning][1:]
		most = max(most, off.Abs())
		slack := doubtWithin
		if p.certain() {
			slack = toldWithin
		}
		if exact && off != 0 || off.Abs() > slack {
			r.miss("%s: %s of %s told %s from its moment", name, p.kind, p.vessel, off)
		}
	}
	return most
}
