package campaign

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"time"
)

// childArgs names the variable that makes this test play a day on standard output:
// DIR MOMENT ACTS-DONE, the moment in Unix milliseconds.
const childArgs = "TIDEMARK_CAMPAIGN_CHILD"

// playChild says a line at everything that the parent wants to know.
func playChild(args []string) {
	at := time.UnixMilli(ok(strconv.ParseInt(args[1], 10, 64))).UTC()
	d := openDay(args[0], at, ok(strconv.Atoi(args[2])), trouble{
		did:    func(events int) { fmt.Println("did", events) },
		before: func(now time.Time) { fmt.Println("at", now.Add(-stepEvery).UnixMilli()) }, // the step before is done
	})
	for vessel, at := range d.watch.underWay() {
		fmt.Println("stored", vessel, at.UnixMilli())
	}
	fmt.Println("ready")
	d.run(d.story.Until)
	d.watch.close()
	fmt.Println("over")
}

// child is a process that plays a day, and what it has told so far.
type child struct {
	at          time.Time // the last step that was done
	did         int       // events done, as the person saw them confirmed
	stored      map[string]time.Time
	ready, over bool
}

// runChild runs a day from a moment on until it ends or, after a span of this
// machine's time, is killed. wrap stands before the command line, for a tracer.
func runChild(wrap []string, dir string, at time.Time, did int, killAfter time.Duration) child {
	c := child{did: did, stored: map[string]time.Time{}}
	args := append(slices.Clone(wrap), os.Args[0])
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d %d", childArgs, dir, at.UnixMilli(), did))
	cmd.Stderr = os.Stderr
	out := ok(cmd.StdoutPipe())
	must(cmd.Start())
	if killAfter > 0 {
		defer time.AfterFunc(killAfter, func() { _ = cmd.Process.Kill() }).Stop()
	}
	for scan := bufio.NewScanner(out); scan.Scan(); {
		c.take(strings.Fields(scan.Text()))
	}
	if err := cmd.Wait(); err != nil && (killAfter == 0 || cmd.ProcessState.Exited()) {
		must(fmt.Errorf("the day from %s on: %w", at.Format(time.TimeOnly), err))
	}
	return c
}

// take reads one line of a child.
func (c *child) take(f []string) {
	milli := func(s string) time.Time { return time.UnixMilli(ok(strconv.ParseInt(s, 10, 64))).UTC() }
	switch {
	case len(f) == 2 && f[0] == "at":
		c.at = milli(f[1])
	case len(f) == 2 && f[0] == "did":
		c.did = ok(strconv.Atoi(f[1]))
	case len(f) == 3 && f[0] == "stored":
		c.stored[f[1]] = milli(f[2])
	case len(f) == 1:
		c.ready, c.over = c.ready || f[0] == "ready", c.over || f[0] == "over"
	}
}

// killsADay is how often a day is killed at most.
const killsADay = 10

// killed kills a process again and again in the middle of the day, at random moments
// of the machine's time, start-up among them, and starts another up to two minutes
// later in kitchen time. What it warned of is held against a day in one piece that
// lacks the same readings: those of the time in which nobody watched and those that
// were lost.
func killed(c *campaign, r *result, trials int) {
	for r.trials < trials {
		c.killedDay(r, min(killsADay, trials-r.trials))
	}
}

func (c *campaign) killedDay(r *result, kills int) {
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	at := story().Start
	last, from := child{at: at}, at // from is where the process before began
	var gaps []stretch
	share := int64(2 * c.took / time.Duration(kills+1)) // a day takes about as long as the undisturbed one
	for round := 0; !last.over; round++ {
		wait := time.Duration(0)
		if round < kills {
			wait = 1 + time.Duration(c.dice.Int64N(share))
		}
		stamp(dir, last.at)
		now := runChild(nil, dir, at, last.did, wait)
		if now.ready && round > 0 {
			gaps = append(gaps, stretch{r.lostBefore(from, last.at, now.stored).Add(1), at.Add(1)})
		}
		if !now.over {
			r.trials++
		}
		if now.ready {
			from = at
		}
		if now.at.Before(last.at) {
			now.at = last.at
		}
		if last = now; at.Before(last.at) {
			at = last.at
		}
		at = at.Add(time.Duration(c.dice.IntN(12)) * stepEvery)
	}
	got := ledger{rises: records(dir)}
	r.compare(play(trouble{absent: within(gaps)}).kept(), got.kept(), anyTime)
	r.countRises(got.rises, asTold)
}

// lostBefore takes in how far the stored readings lie behind the last that was taken,
// for every rise under way, and returns the last that is there. Before from nobody
// watched: that is no loss.
func (r *result) lostBefore(from, seen time.Time, stored map[string]time.Time) (last time.Time) {
	for vessel, at := range stored {
		if at.IsZero() {
			continue
		}
		if at.After(last) {
			last = at
		}
		if at.Before(from) {
			at = from
		}
		r.lose(vessel, seen.Sub(at), seen)
	}
	if last.IsZero() {
		return seen
	}
	return last
}
