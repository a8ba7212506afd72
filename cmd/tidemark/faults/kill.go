package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"time"

	"tidemark/sensor/virtual"
)

const killsADay = 10

// killed kills a process again and again in the middle of the day, at random
// moments of the machine's time, and starts another up to two minutes later in
// kitchen time. Start-up is as likely a moment as any other.
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
	defer os.RemoveAll(dir)
	story := virtual.Household(dayOf(0))
	at, did := story.Start, 0
	seen := at // the last step that was done before the kill
	var got ledger
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
		got.warnings = append(got.warnings, told.warnings...)
		if told.ready && round > 0 {
			r.measureLoss(seen, told.stored)
		}
		if told.over {
			break
		}
		r.trials++
		did, seen = told.did, told.at
		if at.Before(seen) {
			at = seen
		}
		at = at.Add(time.Duration(dice.IntN(12)) * stepEvery)
	}
	if err := got.close(ctx, dir); err != nil {
		return err
	}
	r.add(s.plain, got)
	return nil
}

// ignoreKilled drops the error of a process that was killed as was meant.
func ignoreKilled(err error, c *child) error {
	if c.cmd.ProcessState != nil && !c.cmd.ProcessState.Exited() {
		return nil
	}
	return err
}
