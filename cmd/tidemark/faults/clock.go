package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// reset is one way in which the wall clock of a machine goes wrong or is put
// right in the course of a day.
type reset struct {
	name   string
	zone   *time.Location
	begins time.Time     // what the wall shows when the story begins
	drifts float64       // parts of a million that the wall runs fast, or slow
	at     time.Time     // when it is set, by the kitchen's time; zero for never
	by     time.Duration // then
	late   bool          // it was wrong from the start: all times of the day move
}

// clockSet plays days in which the wall clock is set at a random moment, drifts,
// or is one hour elsewhere by the household's zone from one minute to the next.
// The boot clock goes on, so the day must tell the same warnings at the same
// moments of the kitchen, keep its rises, and store curves without a gap or a fold.
func clockSet(ctx context.Context, s setting) (result, error) {
	var r result
	dice := rand.New(rand.NewPCG(s.seed, 6))
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		return r, fmt.Errorf("the zone of an invented household: %w", err)
	}
	story := household(dayOf(0))
	todo := []reset{
		summerTime(story, dice, "to daylight saving time", time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), berlin),
		summerTime(story, dice, "from daylight saving time", time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC), berlin),
	}
	for n := range s.pick(4, 58) {
		todo = append(todo, drawReset(story, dice, n))
	}
	latest := time.Duration(0)
	for _, t := range todo {
		late, err := r.clockDay(ctx, s, story, t)
		if err != nil {
			return r, fmt.Errorf("%s: %w", t.name, err)
		}
		latest = max(latest, late)
	}
	r.note = fmt.Sprintf("warnings told at most %s from when the plain day told them", latest)
	return r, nil
}

// summerTime draws a day of which some hour is that of the change of the local
// time: at change, by the zone's rule. Nothing is set: only what people read on
// the wall steps.
func summerTime(story virtual.Scenario, dice *rand.Rand, name string, change time.Time, zone *time.Location) reset {
	into := time.Duration(dice.Int64N(int64(story.Until.Sub(story.Start))))
	return reset{name: name, zone: zone, begins: change.Add(-into.Truncate(time.Minute))}
}

// drawReset draws the n-th setting of a clock, of each kind in turn.
func drawReset(story virtual.Scenario, dice *rand.Rand, n int) reset {
	span := story.Until.Sub(story.Start)
	t := reset{zone: time.UTC, begins: story.Start, at: story.Start.Add(time.Duration(dice.Int64N(int64(span))))}
	switch n % 4 {
	case 0:
		t.name, t.by = "three hours forth", 3*time.Hour
	case 1:
		t.name, t.by = "three hours back", -3*time.Hour
	case 2:
		t.name, t.late = "from 1970", true
		t.begins = time.Unix(20, 0).UTC()
		t.by = story.Start.Sub(t.begins)
		t.at = story.Start.Add(time.Duration(2*60+dice.IntN(40*60)) * time.Second)
	default:
		t.name, t.drifts = "a drift and a small step", 400*(2*dice.Float64()-1)
		t.by = time.Duration(dice.IntN(121)-60) * time.Second
	}
	return t
}

// clockDay plays one day and returns how far from the plain day's moment a warning
// was told at most.
func (r *result) clockDay(ctx context.Context, s setting, story virtual.Scenario, t reset) (time.Duration, error) {
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return 0, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	clock := newWallClock(story.Start, t.begins.Sub(story.Start), t.zone)
	d, err := openDayOn(ctx, dir, story, clock, story.Start, 0, func(o *app.Options) {
		o.Config.Household.Zone = t.zone
		o.Timesync = filepath.Join(dir, "no-time-client") // not that of this machine
	})
	if err != nil {
		return 0, err
	}
	var got ledger
	d.heard = got.hear
	d.before = func(now time.Time) error {
		clock.turn(t.lead(story, now))
		return nil
	}
	if err := d.run(ctx, story.Until); err != nil {
		return 0, err
	}
	if err := d.close(ctx); err != nil {
		return 0, err
	}
	r.trials++
	if err := got.close(ctx, dir); err != nil {
		return 0, err
	}
	r.addWarnings(s.plain, got)
	r.addStarts(story, got.rises, t)
	if err := r.evenRows(ctx, dir); err != nil {
		return 0, err
	}
	return r.sameMoments(t.name, s.plain.tellings, got.tellings, t.at.IsZero()), nil
}

// lead is how far the wall is ahead of the kitchen at a moment.
func (t reset) lead(story virtual.Scenario, now time.Time) time.Duration {
	ahead := t.begins.Sub(story.Start) + time.Duration(float64(now.Sub(story.Start))*t.drifts/1e6)
	if !t.at.IsZero() && !now.Before(t.at) {
		ahead += t.by
	}
	return ahead
}

// addStarts counts the rises that do not stand where the set clock puts them: one
// under way moves by the step, one that was over stays, and all move when the
// clock was wrong from the start.
func (r *result) addStarts(story virtual.Scenario, got []history.Rise, t reset) {
	lost := lostRisesOn(story, story.Until, got, func(a virtual.Act) time.Time {
		lastly := story.Until
		if over := endOf(story, a); !t.late && over.Before(story.Until) {
			lastly = over
		}
		return a.At.Add(t.lead(story, lastly))
	})
	if lost > 0 {
		r.lostRises += lost
		for _, g := range got {
			r.say("%s: rise of %s stands at %s", t.name, g.Vessel, g.StartedAt.Format(time.DateTime))
		}
	}
}

// endOf is when the rise that an act began is ended by the story.
func endOf(story virtual.Scenario, start virtual.Act) time.Time {
	for _, a := range story.Acts {
		if a.Vessel == start.Vessel && a.Event == "end" && a.At.After(start.At) {
			return a.At
		}
	}
	return story.Until
}

// unevenBy is how far two stored rows may lie from the distance at which they were
// sampled: a wall clock is followed when it is 2 s off.
const unevenBy = 3 * time.Second

// evenRows looks whether the stored rows of every rise lie as far apart as they
// were sampled.
func (r *result) evenRows(ctx context.Context, dir string) error {
	s, rises, err := openRises(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close(ctx) }()
	for _, rise := range rises {
		var last time.Time
		for row, err := range s.Rows(ctx, rise.ID, time.Time{}, time.Time{}) {
			if err != nil {
				return err
			}
			if off := row.Time.Sub(last) - stepEvery; !last.IsZero() && off.Abs() > unevenBy {
				r.lostReading = max(r.lostReading, off.Abs())
				r.say("rows of %s lie %s apart at %s", rise.Vessel, row.Time.Sub(last), row.Time.Format(time.DateTime))
			}
			last = row.Time
		}
	}
	return nil
}

// slack is how far from its moment a warning may come.
func (w warning) slack(exact bool) time.Duration {
	switch {
	case exact:
		return 0
	case len(certain([]warning{w})) == 1:
		return toldWithin
	}
	return doubtWithin
}

// sameMoments counts the warnings that were not told at the same moment of the
// kitchen as missed: to the second, or nearly. It returns the largest difference.
func (r *result) sameMoments(name string, plain, got []telling, exact bool) time.Duration {
	most := time.Duration(0)
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
		if off.Abs() > p.slack(exact) {
			r.missed++
			r.say("%s: %s of %s told %s from its moment", name, p.kind, p.vessel, off)
		}
	}
	return most
}
