// Package guard watches from outside that tidemark keeps what it promises, whatever
// becomes of its inside: journals go in, and out come the lines of `replay --json`, what
// the API and the page say, and the messages on a phone. adapter_test.go alone knows how
// to drive the program; a rebuilt program needs that file changed and nothing else.
//
// Times are compared with a tolerance by kind, percentages within points, words not at
// all. Percent is of the start volume: 0 at the start, 100 when doubled. All rises here
// are invented or simulated, and their files say so.
package guard

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var (
	update     = flag.Bool("update", false, "write testdata/*.golden.json anew where today's answers are right by the truth")
	every      = flag.Duration("every", 97*time.Minute, "how far apart the restarts of the whole bake lie; 1m restarts at each minute")
	writeState = flag.Bool("write-state", false, "write the state folder that a later program takes over; only with the program named beside it")
	all        = flag.Bool("all", false, "play every simulated rise, not the quick ones alone")
)

// reading is what the sensors over a vessel say.
type reading struct{ DistanceMM, DoughC, AirC float64 }

// line is one line of replay, as README names its keys.
type line struct {
	Time        time.Time  `json:"time"`
	RisePercent *float64   `json:"rise_percent"`
	ReadyAt     *time.Time `json:"ready_at"`
	Phase       string     `json:"phase"`
	Quality     string     `json:"quality"`
	Alerts      []struct {
		Kind string `json:"kind"`
	} `json:"alerts"`
}

// deed is what a person does; only what its kind needs is filled in.
type deed struct {
	Kind    string
	At      time.Time // zero for now
	Step    string
	Alarm   string
	Note    string
	Percent float64
	Snooze  time.Duration
	Event   int64 // to undo
	Plan    *plan
}

// plan is a wish for bread.
type plan struct {
	Asked, Ready time.Time
	Ripe         time.Time // until when the starter is ripe
	AirC         float64
	Way          string
}

// message is what arrived on the phone.
type message struct {
	At          time.Time
	Kind, Alarm string
	Text        string
}

// view is what the program says of a vessel.
type view struct {
	Phase, Quality  string
	Percent, Target *float64
	Started, Ready  *time.Time
	Doubt           time.Duration // width of the forecast's window that holds 8 in 10
	ReadyIsPast     bool
	InFridge        bool
	Steps           []step
	Alarms          []alarm
	Events          []event
	Plan            string
	Pending         bool
}

type step struct{ ID, Name, State, By string }

type alarm struct{ ID, Kind, State string }

type event struct {
	ID   int64
	At   time.Time
	Kind string
}

// open reports whether an alarm waits for its end.
func (a alarm) open() bool { return a.State != "resolved" && a.State != "pending" }

// percent is the rise, NaN when it is not known.
func (v view) percent() float64 { return value(v.Percent) }

// last is the newest event; zero without one.
func (v view) last() event {
	if len(v.Events) == 0 {
		return event{}
	}
	return v.Events[len(v.Events)-1]
}

// kinds lists the events in order.
func (v view) kinds() []string {
	var out []string
	for _, e := range v.Events {
		out = append(out, e.Kind)
	}
	return out
}

// openAlarms lists the kinds of the alarms that wait for their end, sorted.
func (v view) openAlarms() []string {
	var out []string
	for _, a := range v.Alarms {
		if a.open() {
			out = append(out, a.Kind)
		}
	}
	slices.Sort(out)
	return out
}

// stepState is the state of a step, empty when there is no such step.
func (v view) stepState(id string) string {
	for _, s := range v.Steps {
		if s.ID == id {
			return s.State
		}
	}
	return ""
}

// closedSteps lists the steps that are done or left out; what the forecast leaves out it
// may bring back.
func (v view) closedSteps() []string {
	var out []string
	for _, s := range v.Steps {
		if s.State == "done" || s.State == "skipped" && s.By != "forecast" {
			out = append(out, s.ID)
		}
	}
	return out
}

func value(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// knownDifferences are the cases that the program does not keep yet, with the reason.
// A case listed here is played and shown in the table, but breaks nothing.
func knownDifferences() map[string]string {
	return nil
}

// check gathers what a case finds wrong.
type check struct {
	name     string
	problems []string
	facts    []string // shown in the table
}

// fact adds to what the table says of the case.
func (c *check) fact(format string, args ...any) {
	c.facts = append(c.facts, fmt.Sprintf(format, args...))
}

func (c *check) wrong(format string, args ...any) {
	c.problems = append(c.problems, fmt.Sprintf(format, args...))
}

func (c *check) that(ok bool, format string, args ...any) {
	if !ok {
		c.wrong(format, args...)
	}
}

// equal compares two lists in order.
func (c *check) equal(what string, want, got []string) {
	c.that(slices.Equal(want, got), "%s: want %v, got %v", what, want, got)
}

// near compares two percentages; two unknown ones are equal.
func (c *check) near(what string, want, got, points float64) {
	if math.IsNaN(want) && math.IsNaN(got) {
		return
	}
	c.that(math.Abs(want-got) <= points, "%s: want %.1f %% within %.1f points, got %.1f %%", what, want, points, got)
}

// moment compares two times.
func (c *check) moment(what string, want, got time.Time, within time.Duration) {
	c.that(got.Sub(want).Abs() <= within, "%s: want %s within %s, got %s", what, want.Format("15:04:05"), within, got.Format("15:04:05"))
}

// run plays a case and settles what it found.
func run(t *testing.T, name string, play func(t *testing.T, c *check)) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		c := &check{name: strings.TrimPrefix(t.Name(), "Test")}
		c.name = strings.ToLower(c.name[:1]) + c.name[1:]
		c.name = strings.ReplaceAll(c.name, "_", " ") // as the testing package writes a blank
		play(t, c)
		reason, known := knownDifferences()[c.name]
		said := strings.Join(c.facts, ", ")
		switch {
		case len(c.problems) == 0 && known:
			t.Logf("ROW | %s | kept now | take it out of knownDifferences | %s", c.name, said)
		case len(c.problems) == 0:
			t.Logf("ROW | %s | kept | %s", c.name, said)
		case known:
			t.Logf("ROW | %s | known difference | %s | %s", c.name, reason, c.problems[0])
			t.Skip("known difference: " + reason)
		default:
			t.Errorf("ROW | %s | BROKEN | %s\n  %s", c.name, said, strings.Join(c.problems, "\n  "))
		}
	})
}

// tolerance is how far a message of a kind may move from its moment: the forecast's
// numbers move with the estimator's own work.
func tolerance(kind string) time.Duration {
	switch kind {
	case "reached":
		return 15 * time.Minute
	case "near":
		return 25 * time.Minute
	case "oven_heating":
		return 10 * time.Minute
	case "over", "levels_off", "starter_peak":
		return 30 * time.Minute
	}
	return 45 * time.Minute
}

// program is the command, built once.
var program string

func TestMain(m *testing.M) {
	flag.Parse()
	dir, err := os.MkdirTemp("", "tidemark-guard-")
	if err == nil {
		program, err = buildProgram(dir)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(filepath.Clean(dir))
	os.Exit(code)
}
