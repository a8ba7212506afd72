package app

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
)

// Clock tells the pipeline the time. It never runs back between two Steps.
type Clock interface {
	Now() time.Time
}

// Steady is the live clock. It starts at the wall time and then counts the
// kernel's boot clock, which goes on during suspend and is never stepped. When
// the wall clock turns out to be elsewhere (no real-time clock, first network
// time), skew says by how much and Step moves the whole timeline.
type Steady struct {
	mu    sync.Mutex
	wall0 time.Time
	boot0 time.Duration
	wall  func() time.Time
	boot  func() time.Duration
}

// NewSteady starts a steady clock at the present wall time.
func NewSteady() *Steady { return NewSteadyOf(time.Now, bootTime) }

// NewSteadyOf starts a steady clock on the clocks of another machine: wall may be
// set at any time, boot counts from its start and never runs back.
func NewSteadyOf(wall func() time.Time, boot func() time.Duration) *Steady {
	return &Steady{wall0: wall().Round(0), boot0: boot(), wall: wall, boot: boot}
}

// Now returns the steady time.
func (s *Steady) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wall0.Add(s.boot() - s.boot0)
}

// Wall returns the wall time, without Go's own monotonic reading.
func (s *Steady) Wall() time.Time { return s.wall().Round(0) }

// skew returns how far the wall clock is ahead of the steady clock.
func (s *Steady) skew() time.Duration {
	now := s.Now()
	return s.Wall().Sub(now)
}

// Step moves the timeline.
func (s *Steady) Step(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wall0 = s.wall0.Add(d)
}

// bootTime reads the kernel's boot clock; where there is none, Go's monotonic
// clock serves.
func bootTime() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return time.Since(time.Unix(0, 0)) // cannot happen on Linux
	}
	return time.Duration(ts.Nano())
}

// Stepped is a clock that is set by hand: replay and the headless demo.
type Stepped struct {
	mu  sync.Mutex
	now time.Time
}

// Now returns the time last set.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Set moves the clock forward; a time in its past is ignored.
func (s *Stepped) Set(t time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if t.After(s.now) {
		s.now = t
	}
}

// skewAllowed is how far the wall clock may drift from the steady clock before the
// timeline follows it.
const skewAllowed = 2 * time.Second

// settlesWithin is how long after a start the wall clock is expected to be set from
// the network, where nothing says that it was.
const settlesWithin = 10 * time.Minute

// startClock begins the timeline. It never begins before the last sign of life of the
// run before: a machine without a clock of its own starts in the past.
func (a *App) startClock() {
	a.began = a.opt.Clock.Now()
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	a.doubted = !clockSet(a.timesync, steady.Wall())
	a.notBefore = a.opt.Store.Opened().LastWrite.Round(0)
	if behind := a.notBefore.Sub(a.began); behind > 0 {
		a.log.Warn("the clock stands before the end of the last run; time goes on from there until it is set",
			"clock", a.began.Format(time.RFC3339), "last_run", a.notBefore.Format(time.RFC3339))
		steady.Step(behind)
		a.doubted, a.began = true, steady.Now()
	}
}

// believed reports whether a wall time can be true: it lies after what the last run
// saw, or the system says that it was set from the network.
func (a *App) believed(wall time.Time) bool {
	return !wall.Before(a.notBefore) || setFromNetwork(a.timesync)
}

// FollowClock moves the whole timeline when the wall clock turns out to be elsewhere:
// set from the network after a start in the past, or corrected by hand. Intervals stay
// as they are, so no curve bends, no hold time runs out and no notification expires.
// The live watch does it before every Advance; a clock that is not Steady has no wall
// to follow.
func (a *App) FollowClock(ctx context.Context) {
	steady, ok := a.opt.Clock.(*Steady)
	if !ok {
		return
	}
	skew := steady.skew()
	if skew.Abs() <= skewAllowed || !a.believed(steady.Wall()) {
		return
	}
	if skew.Abs() > time.Minute {
		a.log.Warn("the clock was set; the rises under way move with it", "by", skew.Round(time.Second).String())
	}
	for _, v := range a.order { // nothing is read or stored while the timeline moves
		v.mu.Lock()
		defer v.mu.Unlock()
	}
	// What this run stamped moves when its clock was late from the beginning, else the
	// last rise of each vessel, also one that ended by the same timeline, so that it is as
	// long ago as it was. A clock that was ahead cannot be kept apart: the moved times would
	// lie among those of an earlier run.
	step := alert.ClockStep{Before: steady.Now().Add(time.Second), By: skew}
	late := a.doubted || step.Before.Sub(a.began) < settlesWithin
	if late && skew > 0 {
		step.From = a.began
	}
	moves := func(r bake.Rise) bool { return !step.From.IsZero() || r.UnderWay() || r.EndedAt.After(a.began) }
	err := a.manager.ClockStep(step, func() error {
		defer steady.Step(skew)
		parts := []history.ClockStep{{All: !step.From.IsZero(), ClockStep: step}}
		for _, v := range a.order {
			if r := v.state.Rise; !parts[0].All && r.ID != 0 && moves(r) {
				parts = append(parts, history.ClockStep{RiseID: r.ID, ClockStep: step})
			}
		}
		return a.opt.Store.StepClock(ctx, parts...)
	})
	if err != nil {
		a.log.Warn("what is stored could not follow the clock whole", "error", err)
	}
	for _, v := range a.order {
		run := step
		if !moves(v.state.Rise) {
			run.From = run.Before // only folded again: it was moved on to a time that did not come
		}
		v.session.StepClock(run.From, run.Before, run.By)
		if v.former != nil {
			step.Times(&v.former.warmUpFrom)
		}
		v.stored.clockStep(run)
		step.Times(&v.awake)
		v.evaluator.ClockStep(step)
		v.readings.clockStep(step)
		v.foldAgain()
	}
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	a.doubted, a.began = false, a.began.Add(skew)
	alert.ClockStep{By: skew}.Times(&a.advanced)
	if late && !a.unwatched.From.IsZero() {
		a.unwatched.Until = a.unwatched.Until.Add(skew)
	}
}

// clockStep moves what is remembered of the rise.
func (r *stored) clockStep(m alert.ClockStep) {
	m.Times(&r.rise.StartedAt, &r.rise.EndedAt, &r.rise.ReachedAt, &r.rise.PeakAt, &r.rise.PhaseSince, &r.sampledAt)
	r.trackAt, r.forecastAt = time.Time{}, time.Time{}
}

// timesyncDir is where systemd's time client says that the clock was set.
const timesyncDir = "/run/systemd/timesync"

// earliestYear is the first year in which this program can run: an earlier
// clock was never set.
const earliestYear = 2026

// machineState looks at the machine itself.
func machineState(stateDir, sysfs, timesync string, wall time.Time) alert.System {
	return alert.System{
		ClockSet:      clockSet(timesync, wall),
		DiskFreeRatio: diskFree(stateDir),
		UnderVoltage:  underVoltage(sysfs),
	}
}

// clockSet says whether the wall clock can be trusted. Without systemd's time
// client the year alone decides.
func clockSet(dir string, wall time.Time) bool {
	if wall.Year() < earliestYear {
		return false
	}
	if _, err := os.Stat(dir); err != nil {
		return true
	}
	return setFromNetwork(dir)
}

// setFromNetwork says whether systemd's time client has set the clock.
func setFromNetwork(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, "synchronized"))
	return err == nil
}

// diskFree is the share of the disk under dir that is free, NaN when unknown.
func diskFree(dir string) float64 {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil || s.Blocks == 0 {
		return math.NaN()
	}
	return float64(s.Bavail) / float64(s.Blocks)
}

// underVoltage reads the Pi's own low-voltage alarm, where the kernel has it.
func underVoltage(sysfs string) bool {
	names, err := filepath.Glob(filepath.Join(sysfs, "class/hwmon/hwmon*/name"))
	if err != nil {
		return false
	}
	for _, n := range names {
		if name, err := os.ReadFile(n); err != nil || strings.TrimSpace(string(name)) != "rpi_volt" {
			continue
		}
		alarm, err := os.ReadFile(filepath.Join(filepath.Dir(n), "in0_lcrit_alarm"))
		return err == nil && strings.TrimSpace(string(alarm)) == "1"
	}
	return false
}
