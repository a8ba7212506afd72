package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"time"
)

const killsADay = 10

// killed kills a process again and again in the middle of the day, at random
// moments of the machine's time, and starts another up to two minutes later in
// kitchen time. Start-up is as likely a moment as any other. What it warned of is
// held against a day in one piece that lacks the same readings: those of the time
// in which nobody watched and those that were lost.
func killed(ctx context.Context, s setting) (result, error) {
	var r result
	kills := s.pick(20, 500)
	dice := rand.New(rand.NewPCG(s.seed, 1))
	for r.trials < kills {
		if err := killedDay(ctx, s, &r, min(killsADay, kills-r.trials), dice); err != nil {
			return r, err
		}
	}
	return r, nil
}

// killedDay plays one day with kills.
func killedDay(ctx context.Context, s setting, r *result, kills int, dice *rand.Rand) error {
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	story := household(dayOf(0))
	at, did := story.Start, 0
	seen, from := at, at // the last step that was done before the kill, and where that process began
	var got ledger
	var gaps absences
	// A day takes about as long as the undisturbed one: share its time out.
	share := s.plain.took / time.Duration(kills+1)
	for round := 0; ; round++ {
		c, err := start(ctx, nil, dir, at, did, story.Until)
		if err != nil {
			return err
		}
		told := said{at: seen, did: did, stored: map[string]time.Time{}}
		if round < kills {
			wait := time.Duration(dice.Int64N(int64(2 * share)))
			timer := time.AfterFunc(wait, func() { _ = c.cmd.Process.Kill() })
			err = c.listen(&told, func() bool { return false })
			timer.Stop()
			err = ignoreKilled(err, c)
		} else {
			err = c.listen(&told, func() bool { return false })
		}
		if err != nil {
			return fmt.Errorf("after %d kills: %w", round, err)
		}
		if told.ready && round > 0 {
			r.measureLoss(from, seen, told.stored)
			gaps = append(gaps, absence{lastOf(told.stored, seen), at})
		}
		if told.over {
			break
		}
		r.trials++
		did, seen = told.did, told.at
		if told.ready {
			from = at
		}
		if at.Before(seen) {
			at = seen
		}
		at = at.Add(time.Duration(dice.IntN(12)) * stepEvery)
	}
	if err := got.close(ctx, dir); err != nil {
		return err
	}
	control, err := undisturbed(ctx, gaps.cover)
	if err != nil {
		return err
	}
	before := r.missed + r.falseAlarms + r.lostRises
	r.add(control, got)
	if r.missed+r.falseAlarms+r.lostRises > before {
		r.say("of the day with the first %d kills:", r.trials)
		r.explain(r.trials, gaps, control, got)
	}
	return nil
}

// explain tells the whole day on which something was missed or false.
func (r *result) explain(kills int, gaps absences, control, got ledger) {
	for _, g := range gaps {
		r.say("  %d: nobody watched from %s to %s", kills, g.from.Format(time.TimeOnly), g.until.Format(time.TimeOnly))
	}
	for _, line := range control.log {
		r.say("  %d: in one piece: %s", kills, line)
	}
	for _, line := range got.log {
		r.say("  %d: killed: %s", kills, line)
	}
}

// absence is a stretch of which no reading is left: after from, up to until.
type absence struct{ from, until time.Time }

type absences []absence

// cover tells whether a moment lies in one of them.
func (a absences) cover(at time.Time) bool {
	return slices.ContainsFunc(a, func(g absence) bool { return at.After(g.from) && !at.After(g.until) })
}

// lastOf is the last reading that was stored of any vessel, or seen when no rise
// is under way.
func lastOf(stored map[string]time.Time, seen time.Time) time.Time {
	last := time.Time{}
	for _, at := range stored {
		if at.After(last) {
			last = at
		}
	}
	if last.IsZero() {
		return seen
	}
	return last
}

// ignoreKilled drops the error of a process that was killed as was meant.
func ignoreKilled(err error, c *child) error {
	if c.cmd.ProcessState != nil && !c.cmd.ProcessState.Exited() {
		return nil
	}
	return err
}
