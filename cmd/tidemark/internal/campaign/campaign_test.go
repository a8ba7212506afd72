// Package campaign puts tidemark through what a kitchen and a cheap computer do to it
// and counts what was lost: kill -9, power cuts, a full disk, a damaged database,
// sensors that die and come back, clocks that are set, sleep, a bad network.
//
//	go test ./cmd/tidemark/internal/campaign -faults -v              the whole campaign
//	go test ./cmd/tidemark/internal/campaign -faults -trials 5 -v    a few of each
//	go test ./cmd/tidemark/internal/campaign -faults -run 'Faults/kill' -v
//
// It plays the invented household of package sensor/sensortest/virtual into the same
// pipeline and the same history as the live daemon, by a clock that runs as fast as
// the machine can. The same day without a fault says which warnings belong to it. All
// data is invented.
//
// Bounds: no rise lost, no warning missed, none false, and of the readings at most the
// last minute before the fault. A warning counts as missed as well when it or its
// notification comes later than the fault excuses, and as false when its notification
// comes twice or after the answer.
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

	"tidemark/alert"
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
		playChild(args)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// row is one row of the table while it is worked on: a fault, tried again and again.
type row struct {
	*testing.T
	dice   *rand.Rand
	plain  ledger        // of the undisturbed day
	took   time.Duration // to play it
	trials int           // that are wanted

	tried, rises, missed, tooMany int
	lost                          time.Duration // the most readings that were lost before one fault
	said                          map[string]bool
	noted                         map[string]int // what else was counted
}

// TestFaults runs every fault and prints the table.
func TestFaults(t *testing.T) {
	if !*withFaults {
		t.Skip("takes minutes: ask for it with -faults, few of each with -trials 5")
	}
	began := time.Now()
	plain := play(trouble{})
	took := time.Since(began)
	faults := []struct {
		name, what string
		trials     int
		run        func(r *row)
	}{
		{"kill", "kill -9 at a random moment", 500, killed},
		{"power", "power cut, unsynced writes dropped", 500, powerCut},
		{"full", "disk full", 40, diskFull},
		{"damage", "database damaged at random pages", 100, damaged},
		{"sensors", "sensors die and come back", 60, deadSensors},
		{"clock", "wall clock set, drifts, daylight saving changes", 60, clockSet},
		{"sleep", "the machine sleeps for minutes", 30, asleep},
		{"network", "the ways to the household fail", 60, badNetwork},
	}
	lines := make([]string, len(faults)) // of those that were run
	t.Cleanup(func() {                   // they have ended by then
		var b strings.Builder
		w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		fmt.Fprintf(w, "the undisturbed day: %d rises, %d warnings, %s; all data is invented\n", len(plain.rises), len(plain.told), took.Round(10*time.Millisecond))
		fmt.Fprintln(w, "fault\ttrials\treadings lost, most\trises lost\twarnings missed\tfalse\ttook\tnote")
		fmt.Fprint(w, strings.Join(lines, ""))
		must(w.Flush())
		t.Log("\n" + b.String())
	})
	for i, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			began := time.Now()
			r := &row{T: t, dice: rand.New(rand.NewPCG(*seed, uint64(i))), plain: plain, took: took, trials: f.trials, said: map[string]bool{}, noted: map[string]int{}}
			if *maxTrials > 0 {
				r.trials = min(r.trials, *maxTrials)
			}
			for r.tried < r.trials {
				f.run(r)
			}
			lines[i] = fmt.Sprintf("%s\t%d\t%s\t%d\t%d\t%d\t%s\t%s\n", f.what, r.tried, r.lost, r.rises, r.missed, r.tooMany, time.Since(began).Round(100*time.Millisecond), strings.TrimSuffix(strings.TrimPrefix(fmt.Sprint(r.noted), "map["), "]"))
		})
	}
}

// upTo is a random time from nothing to span.
func (r *row) upTo(span time.Duration) time.Duration {
	return time.Duration(r.dice.Int64N(int64(span))).Truncate(time.Second)
}

// within is a random moment of the story.
func (r *row) within() time.Time {
	s := story(0)
	return s.Start.Add(r.upTo(s.Until.Sub(s.Start)))
}

// say tells a finding, each only once, and count counts what was lost, missed or false.
func (r *row) say(format string, args ...any) {
	if line := fmt.Sprintf(format, args...); !r.said[line] {
		r.said[line] = true
		r.Error(line)
	}
}

func (r *row) count(n *int, format string, args ...any) {
	*n++
	r.say(format, args...)
}

// lose takes in a stretch of readings that is not there, of which a fault may cost a
// minute.
func (r *row) lose(vessel string, span time.Duration, before time.Time) {
	if r.lost = max(r.lost, span); span > time.Minute {
		r.say("%s of readings of %s lost before %s", span, vessel, before.Format(time.TimeOnly))
	}
}

// soon is how far from its moment a warning may come when readings are missing or the
// clock was set: its hold time may begin anew, or the readings fall into other minutes,
// which moves a mark by about a percentage point: 6 minutes for a starter near its peak.
// One that hangs on a forecast's doubt may take longer.
func soon(w warning) time.Duration {
	if w.certain() {
		return 7 * time.Minute
	}
	return doubtWithin
}

const doubtWithin = 15 * time.Minute

// anyTime is for where only whether a warning came counts, and atOnce for none.
func anyTime(warning) time.Duration { return 1 << 62 }
func atOnce(warning) time.Duration  { return 0 }

// compare counts the warnings of want that got lacks within slack of their moment, and
// those of got that are not in want. It returns the largest difference. Warnings about
// the fault itself are right and belong to no undisturbed day.
func (r *row) compare(want, got []telling, slack func(warning) time.Duration) (most time.Duration) {
	left := of(got, func(t telling) bool { return !t.is(alert.NobodyWatched, alert.DiskNearlyFull) })
	for _, w := range want {
		i := slices.IndexFunc(left, func(t telling) bool { return t.warning == w.warning && t.at.Sub(w.at).Abs() <= slack(w.warning) })
		if i < 0 {
			r.count(&r.missed, "missed %s of %s at %s", w.kind, w.vessel, w.at.Format(time.TimeOnly))
			continue
		}
		most = max(most, left[i].at.Sub(w.at).Abs())
		left = slices.Delete(left, i, i+1)
	}
	for _, t := range left {
		r.count(&r.tooMany, "false %s of %s at %s", t.kind, t.vessel, t.at.Format(time.TimeOnly))
	}
	return most
}

// holdRises counts the rises of the story that are not in got: same vessel, start within
// two minutes of where the clock puts it in the end, ahead of the kitchen's.
func (r *row) holdRises(got []record, ahead time.Duration) {
	for _, a := range story(0).Events {
		if a.Kind == "start" && a.At.Before(story(0).Until) && !slices.ContainsFunc(got, func(g record) bool {
			return g.vessel == a.Vessel && g.started.Sub(a.At.Add(ahead)).Abs() <= 2*time.Minute
		}) {
			r.count(&r.rises, "lost the rise of %s that began at %s", a.Vessel, a.At.Format(time.TimeOnly))
		}
	}
}

// holdRows looks for readings that are not there although somebody watched: rows that
// lie farther apart than they were sampled, or, if even, nearer as well, by more than
// the 2 s at which a wall clock is followed.
func (r *row) holdRows(rises []record, even bool) {
	for _, rise := range rises {
		rows := rise.rows
		if !even {
			rows = append([]time.Time{rise.started}, rows...)
		}
		for i := 1; i < len(rows); i++ {
			switch off := rows[i].Sub(rows[i-1]) - stepEvery; {
			case even && off.Abs() > 3*time.Second:
				r.say("rows of %s lie %s too far apart at %s", rise.vessel, off, rows[i].Format(time.DateTime))
			case !even && off > 0:
				r.lose(rise.vessel, off, rows[i])
			}
		}
	}
}

// warning is one warning, whenever it came.
type warning struct {
	vessel string
	kind   alert.Kind
}

func (w warning) is(kinds ...alert.Kind) bool { return slices.Contains(kinds, w.kind) }

// certain tells warnings that do not hang on a forecast's doubt: with other readings
// the judgement that a rise will level off, or that a starter has turned, may fall a
// little earlier, later or, near the end of a rise, not at all.
func (w warning) certain() bool {
	return w.is(alert.Near, alert.Reached, alert.Over, alert.StepDue, alert.TooHot, alert.TooCold)
}

// telling is a warning with the moment at which it came.
type telling struct {
	warning
	at time.Time
}

// of keeps the warnings for which keep is true.
func of(all []telling, keep func(telling) bool) []telling {
	return slices.DeleteFunc(slices.Clone(all), func(t telling) bool { return !keep(t) })
}
