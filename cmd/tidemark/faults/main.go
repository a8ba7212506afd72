// Command faults puts tidemark through what a kitchen and a cheap computer do to
// it, and prints a table: how many readings and rises were lost, how many
// warnings were missed and how many were false.
//
//	go run ./cmd/tidemark/faults            the whole campaign
//	go run ./cmd/tidemark/faults -short     a few of each, for every change
//	go run ./cmd/tidemark/faults -only kill
//
// The faults: kill, power (a cut), full (disk), pages (damaged ones), sensors (that
// die and come back), clock (set, drifting, daylight saving time), suspend (the
// machine sleeps), network (every way to the household fails) and soak (days
// without a break).
//
// It plays the invented household of package sensor/virtual, with the same App
// and the same history file as the live daemon and a clock that runs as fast as
// the machine can. The same day without a fault says which warnings belong to it.
//
// Bounds: no rise lost, no warning missed, none false, and of the readings at
// most the last minute before the fault. A warning counts as missed as well when it
// or its letter comes later than the fault excuses, and as false when its letter
// comes twice, out of order or after the answer. A row beyond its bound ends the
// command with exit code 1.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"text/tabwriter"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if len(os.Args) > 1 && os.Args[1] == childArg {
		exitOn(playChild(ctx, os.Args[2:]))
		return
	}
	short := flag.Bool("short", false, "a few trials of each fault")
	only := flag.String("only", "", "one fault: "+names())
	seed := flag.Uint64("seed", 1, "chance of the campaign; the same number gives the same faults")
	flag.Parse()
	ok, err := campaign(ctx, *only, setting{short: *short, seed: *seed})
	exitOn(err)
	if !ok {
		os.Exit(1)
	}
}

// exitOn ends the program with an error.
func exitOn(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(1)
	}
}

// setting is how large the campaign is.
type setting struct {
	short bool
	seed  uint64
	plain ledger // what the undisturbed day gives
}

// pick returns few in a short campaign and many in a whole one.
func (s setting) pick(few, many int) int {
	if s.short {
		return few
	}
	return many
}

// result is one row of the table.
type result struct {
	trials      int
	lostReading time.Duration // the most that was lost before one fault
	lostRises   int
	missed      int // warnings
	falseAlarms int
	damaged     int // history files put aside
	held        int // most rows held in memory
	note        string
	findings    []string // what was lost, missed or false, in words
	bad         []string // what is beyond its bound
}

// fault is one part of the campaign.
type fault struct {
	name, what string
	run        func(ctx context.Context, s setting) (result, error)
}

// faults lists the campaign.
func faults() []fault {
	return []fault{
		{"kill", "kill -9 at a random moment", killed},
		{"power", "power cut, unsynced writes dropped", powerCut},
		{"full", "disk full", diskFull},
		{"pages", "database damaged at random pages", damagedPages},
		{"sensors", "sensors die and come back", deadSensors},
		{"clock", "wall clock set, drifts, change of daylight saving time", clockSet},
		{"suspend", "the machine sleeps for minutes", suspended},
		{"network", "the ways to the household fail", badNetwork},
		{"soak", "days without a break", soak},
	}
}

// names lists the faults for the usage text.
func names() string {
	s := ""
	for i, f := range faults() {
		if i > 0 {
			s += ", "
		}
		s += f.name
	}
	return s
}

// maxLost is how much of the readings a fault may cost.
const maxLost = time.Minute

// say notes a finding, each only once.
func (r *result) say(format string, args ...any) {
	line := fmt.Sprintf(format, args...)
	if !slices.Contains(r.findings, line) {
		r.findings = append(r.findings, line)
	}
}

// measureLoss takes in how far the stored readings lie behind the last that was
// taken, for every rise under way. Before from nobody watched: that is no loss.
func (r *result) measureLoss(from, seen time.Time, stored map[string]time.Time) {
	for vessel, last := range stored {
		if last.IsZero() {
			continue
		}
		if last.Before(from) {
			last = from
		}
		lost := seen.Sub(last)
		r.lostReading = max(r.lostReading, lost)
		if lost > maxLost {
			r.say("%s of readings of %s lost before %s", lost, vessel, seen.Format("15:04:05"))
		}
	}
}

// judge adds what is beyond its bound.
func (r *result) judge() {
	check := func(bad bool, format string, args ...any) {
		if bad {
			r.bad = append(r.bad, fmt.Sprintf(format, args...))
		}
	}
	check(r.trials == 0, "nothing was tried")
	check(r.lostReading > maxLost, "%s of readings lost, bound %s", r.lostReading, maxLost)
	check(r.lostRises > 0, "%d rises lost, bound 0", r.lostRises)
	check(r.missed > 0, "%d warnings missed, bound 0", r.missed)
	check(r.falseAlarms > 0, "%d false warnings, bound 0", r.falseAlarms)
}

// campaign runs the faults and prints the table. It reports whether every bound
// was kept.
func campaign(ctx context.Context, only string, s setting) (bool, error) {
	list := faults()
	if only != "" {
		list = slices.DeleteFunc(list, func(f fault) bool { return f.name != only })
		if len(list) == 0 {
			return false, fmt.Errorf("%q is not a fault; choose from %s", only, names())
		}
	}
	plain, err := undisturbed(ctx, nil)
	if err != nil {
		return false, fmt.Errorf("the undisturbed day: %w", err)
	}
	s.plain = plain
	fmt.Printf("The undisturbed day: %d rises, %d warnings, %s. All data is invented.\n", len(plain.rises), len(plain.warnings), plain.took.Round(10*time.Millisecond))
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\ttrials\treadings lost, most\trises lost\twarnings missed\tfalse warnings\ttook\tnote")
	var bad []string
	for _, f := range list {
		began := time.Now()
		r, err := f.run(ctx, s)
		if err != nil {
			return false, fmt.Errorf("%s: %w", f.what, err)
		}
		r.judge()
		for _, b := range append(r.bad, r.findings...) {
			bad = append(bad, f.what+": "+b)
		}
		fmt.Fprintf(w, "%s\t%d\t%s\t%d\t%d\t%d\t%s\t%s\n", f.what, r.trials, r.lostReading, r.lostRises, r.missed, r.falseAlarms,
			time.Since(began).Round(100*time.Millisecond), r.note)
	}
	if err := w.Flush(); err != nil {
		return false, err
	}
	for _, b := range bad {
		fmt.Println("BEYOND ITS BOUND:", b)
	}
	return len(bad) == 0, nil
}
