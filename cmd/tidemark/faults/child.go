package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"
)

// childArg makes this program play a day and say on standard output what it does.
const childArg = "play-a-day-as-child"

// playChild plays a day from a moment on: DIR MOMENT ACTS-DONE UNTIL, moments in
// Unix milliseconds. It prints a line at everything that the parent wants to know.
func playChild(ctx context.Context, args []string) error {
	if len(args) != 4 {
		return errors.New("the child is called by the campaign only")
	}
	var n [3]int64
	for i, s := range args[1:] {
		var err error
		if n[i], err = strconv.ParseInt(s, 10, 64); err != nil {
			return err
		}
	}
	d, err := openDay(ctx, args[0], household(dayOf(0)), time.UnixMilli(n[0]).UTC(), int(n[1]))
	if err != nil {
		return err
	}
	if _, err := tellStored(ctx, d); err != nil {
		return err
	}
	d.heard = func(_ time.Time, w warning) { fmt.Println("warned", w.vessel, w.kind) }
	d.did = func(act int) { fmt.Println("did", act) }
	d.before = func(now time.Time) error {
		_, err := fmt.Println("at", now.Add(-stepEvery).UnixMilli()) // the step before is done
		return err
	}
	if err := d.run(ctx, time.UnixMilli(n[2]).UTC()); err != nil {
		return err
	}
	if err := d.close(ctx); err != nil {
		return err
	}
	fmt.Println("over")
	return nil
}

// tellStored says what the last process left.
func tellStored(ctx context.Context, d *day) (int, error) {
	last, err := stored(ctx, d.store)
	if err != nil {
		return 0, err
	}
	for vessel, at := range last {
		fmt.Println("stored", vessel, at.UnixMilli())
	}
	return fmt.Println("ready")
}

// said is what a child has told so far.
type said struct {
	at       time.Time // the last step that was done
	did      int       // acts done, as the person saw them confirmed
	warnings []warning
	stored   map[string]time.Time // what it found at its start
	ready    bool
	over     bool
}

// take reads one line of a child.
func (s *said) take(line string) error {
	f := strings.Fields(line)
	switch {
	case len(f) == 2 && f[0] == "at":
		ms, err := strconv.ParseInt(f[1], 10, 64)
		s.at = time.UnixMilli(ms).UTC()
		return err
	case len(f) == 2 && f[0] == "did":
		n, err := strconv.Atoi(f[1])
		s.did = n
		return err
	case len(f) == 3 && f[0] == "warned":
		s.warnings = append(s.warnings, warning{f[1], f[2]})
	case len(f) == 3 && f[0] == "stored":
		ms, err := strconv.ParseInt(f[2], 10, 64)
		s.stored[f[1]] = time.UnixMilli(ms).UTC()
		return err
	case line == "ready":
		s.ready = true
	case line == "over":
		s.over = true
	default:
		return fmt.Errorf("the child said %q", line)
	}
	return nil
}

// child is a running child.
type child struct {
	cmd *exec.Cmd
	out io.ReadCloser
}

// start runs this program as a child. wrap stands before the command line, for a
// tracer; it may be empty.
func start(ctx context.Context, wrap []string, dir string, at time.Time, did int, until time.Time) (*child, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	args := append(append([]string{}, wrap...), self, childArg, dir,
		strconv.FormatInt(at.UnixMilli(), 10), strconv.Itoa(did), strconv.FormatInt(until.UnixMilli(), 10))
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	return &child{cmd, out}, cmd.Start()
}

// listen reads what the child says until it ends. After each line it asks enough;
// when that says so the child is killed, and what it had said before is still
// read.
func (c *child) listen(s *said, enough func() bool) error {
	killed := false
	for scan := bufio.NewScanner(c.out); scan.Scan(); {
		if err := s.take(scan.Text()); err != nil {
			_ = c.cmd.Process.Kill()
			return errors.Join(err, c.cmd.Wait())
		}
		if !killed && enough() {
			killed = true
			if err := c.cmd.Process.Kill(); err != nil {
				return err
			}
		}
	}
	err := c.cmd.Wait()
	if killed {
		return nil
	}
	return err
}
