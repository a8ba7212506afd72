package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// How far from its moment a warning may come when readings are missing or the
// clock was set: its hold time may begin anew, or the readings fall into other
// minutes. One that hangs on a forecast's doubt may take longer: see certain.
const (
	toldWithin  = 5 * time.Minute
	doubtWithin = 15 * time.Minute
)

// sleep is a stretch in which the machine is suspended: its clocks go on, nothing
// runs. After it the first answer of a sensor takes until seen.
type sleep struct{ from, until, seen time.Time }

type sleeps []sleep

// suspended plays days on a machine that is suspended for minutes again and
// again. It is held against a machine that is awake on a day with the same readings
// missing: a rise goes on, what was due meanwhile is told just after waking, and a
// sensor that answers after waking was never lost.
func suspended(ctx context.Context, s setting) (result, error) {
	var r result
	dice := rand.New(rand.NewPCG(s.seed, 7))
	slept, due, doubted := 0, 0, 0
	for range s.pick(1, 30) {
		story := household(dayOf(0))
		n := drawSleeps(story, s.plain.tellings, dice)
		d, b, err := r.sleepyDay(ctx, story, n)
		if err != nil {
			return r, err
		}
		slept, due, doubted = slept+len(n), due+d, doubted+b
	}
	r.note = fmt.Sprintf("%d sleeps, %d warnings due meanwhile; after %d a sensor that answers was not believed", slept, due, doubted)
	return r, nil
}

// drawSleeps draws the sleeps of a day, every other one over a warning of the plain
// day. Nobody does anything to a vessel while the page does not answer, nor before
// what was due meanwhile can have been told.
func drawSleeps(story virtual.Scenario, plain []telling, dice *rand.Rand) sleeps {
	var out sleeps
	at := story.Start.Add(time.Duration(dice.IntN(60)) * time.Minute)
	for at.Before(story.Until) {
		span := time.Duration(120+dice.IntN(38*60)) * time.Second
		if next := slices.IndexFunc(plain, func(t telling) bool { return t.at.After(at.Add(span)) }); next >= 0 && dice.IntN(2) == 0 {
			at = plain[next].at.Add(-time.Duration(dice.Int64N(int64(span)))).Truncate(time.Second)
		}
		n := sleep{from: at, until: at.Add(span)}
		n.seen = n.until.Add(time.Duration(dice.IntN(7)) * stepEvery)
		busy := slices.ContainsFunc(story.Acts, func(a virtual.Act) bool { return !a.At.Before(n.from) && !a.At.After(n.seen.Add(doubtWithin)) })
		if !busy && n.seen.Before(story.Until) {
			out = append(out, n)
		}
		at = n.seen.Add(time.Duration(20+dice.IntN(60)) * time.Minute)
	}
	return out
}

// asleep tells whether the machine sleeps, unread whether no reading of a moment
// is there.
func (s sleeps) asleep(now time.Time) bool {
	return slices.ContainsFunc(s, func(n sleep) bool { return !now.Before(n.from) && now.Before(n.until) })
}

func (s sleeps) unread(now time.Time) bool {
	return slices.ContainsFunc(s, func(n sleep) bool { return !now.Before(n.from) && now.Before(n.seen) })
}

// sleepyDay plays one day with sleeps and the same day on a machine that is awake.
// It returns how many warnings were due meanwhile and after how many sleeps a
// sensor was told as lost because the estimator did not believe it.
func (r *result) sleepyDay(ctx context.Context, story virtual.Scenario, n sleeps) (due, doubted int, err error) {
	got, _, err := sleepyLedger(ctx, story, func(d *day) { d.absent, d.silent = n.asleep, n.unread })
	if err != nil {
		return 0, 0, err
	}
	awake, lost, err := sleepyLedger(ctx, story, func(d *day) { d.silent = n.unread })
	if err != nil {
		return 0, 0, err
	}
	r.trials++
	before := r.missed + r.falseAlarms + r.lostRises
	r.lostRises += lostRises(story, story.Until, got.rises)
	doubted = r.lostAfterWaking(got.tellings, lost)
	due = r.addSleepy(awake.tellings, got.tellings, n)
	if r.missed+r.falseAlarms+r.lostRises > before {
		r.explainSleeps(n, awake, got)
	}
	return due, doubted, nil
}

// sleepyLedger plays the day on a machine of its own, with gaps as put in by put.
// It also returns what was told of lost sensors.
func sleepyLedger(ctx context.Context, story virtual.Scenario, put func(*day)) (got ledger, lost []alert.Alarm, err error) {
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return got, nil, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	d, err := openWallDay(ctx, dir, story)
	if err != nil {
		return got, nil, err
	}
	d.heard = got.hear
	put(d)
	if err := d.run(ctx, story.Until); err != nil {
		return got, nil, err
	}
	if err := d.close(ctx); err != nil {
		return got, nil, err
	}
	if err := got.close(ctx, dir); err != nil {
		return got, nil, err
	}
	lost, err = lostSensors(ctx, dir, got.rises)
	return got, lost, err
}

// lostSensors reads what was told of lost sensors.
func lostSensors(ctx context.Context, dir string, rises []history.Rise) ([]alert.Alarm, error) {
	s, _, err := openRises(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer func() { _ = s.Close(ctx) }()
	var out []alert.Alarm
	for _, rise := range rises {
		alarms, err := s.Alarms(ctx, rise.ID)
		if err != nil {
			return nil, err
		}
		for _, a := range alarms {
			if a.Kind == alert.SensorLost {
				out = append(out, a)
			}
		}
	}
	return out, nil
}

// lostAfterWaking counts lost sensors as false, but for those of which the machine
// that was awake says the same at that moment: its estimator does not believe what
// the sensor answers. It returns how many those are.
func (r *result) lostAfterWaking(got []telling, awake []alert.Alarm) (doubted int) {
	for _, t := range got {
		if t.kind != string(alert.SensorLost) {
			continue
		}
		if slices.ContainsFunc(awake, func(a alert.Alarm) bool {
			return a.Vessel == t.vessel && !a.FiredAt.After(t.at) && (a.ResolvedAt.IsZero() || a.ResolvedAt.After(t.at))
		}) {
			doubted++
			continue
		}
		r.falseAlarms++
		r.say("false %s of %s at %s", t.kind, t.vessel, t.at.Format(time.TimeOnly))
	}
	return doubted
}

// addSleepy holds the warnings of a day with sleeps against those of the machine
// that was awake: what was due while the other slept has to come just after.
func (r *result) addSleepy(awake, got []telling, n sleeps) (due int) {
	ofDough := func(all []telling) (kept []telling, bare []warning) {
		for _, t := range all {
			if t.kind != string(alert.SensorLost) {
				kept, bare = append(kept, t), append(bare, t.warning)
			}
		}
		return kept, bare
	}
	want, wantBare := ofDough(awake)
	have, haveBare := ofDough(got)
	for i, t := range want {
		for _, n := range n {
			if !t.at.Before(n.from) && t.at.Before(n.seen) {
				want[i].at = n.seen
				due++
			}
		}
	}
	r.addWarnings(ledger{warnings: wantBare}, ledger{warnings: haveBare})
	r.sameMoments("with sleeps", want, have, false)
	return due
}

// explainSleeps tells the whole day on which something was missed or false.
func (r *result) explainSleeps(n sleeps, awake, got ledger) {
	for _, n := range n {
		r.say("  slept from %s to %s, first reading %s", n.from.Format(time.TimeOnly), n.until.Format(time.TimeOnly), n.seen.Format(time.TimeOnly))
	}
	for _, line := range awake.log {
		r.say("  awake: %s", line)
	}
	for _, line := range got.log {
		r.say("  with sleeps: %s", line)
	}
}
