package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
)

// outage is a stretch in which one sensor answers nothing.
type outage struct {
	vessel, what string
	from, until  time.Time
	status       sensor.Status
}

// deadSensors plays days in which sensors go dead at random and come back. A
// height sensor that is away for longer than the vessel's lost_after during a
// rise must be told; a shorter absence, or a dead probe, must not be told as a
// lost sensor.
func deadSensors(ctx context.Context, s setting) (result, error) {
	var r result
	dice := rand.New(rand.NewPCG(s.seed, 5))
	told, due := 0, 0
	for range s.pick(3, 60) {
		t, n, err := r.deadDay(ctx, s, dice)
		if err != nil {
			return r, err
		}
		told, due = told+t, due+n
	}
	r.note = fmt.Sprintf("outages that had to be told: %d, told: %d", due, told)
	return r, nil
}

// certain keeps the warnings that do not hang on a forecast's doubt: with other
// readings the judgement that a rise will level off, or that a starter has turned,
// may fall a little earlier, later or, near the end of a rise, not at all. Lost
// sensors are looked at one by one.
func certain(all []warning) []warning {
	kinds := []string{string(alert.Near), string(alert.Reached), string(alert.Over), string(alert.StepDue), string(alert.TooHot), string(alert.TooCold)}
	return slices.DeleteFunc(slices.Clone(all), func(w warning) bool { return !slices.Contains(kinds, w.kind) })
}

// outages draws the outages of a day, one after the other, so that each can be
// told apart from the next.
func outages(story virtual.Scenario, dice *rand.Rand) []outage {
	kinds := []sensor.Status{sensor.Missing, sensor.ReadFailed, sensor.BadData, sensor.OutOfRange}
	var out []outage
	for at := story.Start.Add(time.Duration(dice.IntN(60)) * time.Minute); at.Before(story.Until); {
		v := story.Vessels[dice.IntN(len(story.Vessels))].Name
		what := []string{"height", "dough", "air"}[dice.IntN(3)]
		end := at.Add(time.Duration(1+dice.IntN(25)) * time.Minute)
		out = append(out, outage{v, what, at, end, kinds[dice.IntN(len(kinds))]})
		at = end.Add(time.Duration(20+dice.IntN(40)) * time.Minute)
	}
	return out
}

// deadDay plays one day and returns how many lost sensors were told and how many
// had to be.
func (r *result) deadDay(ctx context.Context, s setting, dice *rand.Rand) (told, due int, err error) {
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return 0, 0, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	story := household(dayOf(0))
	away := outages(story, dice)
	d, err := openDay(ctx, dir, story, story.Start, 0)
	if err != nil {
		return 0, 0, err
	}
	var got ledger
	var lost []outage // one for each lost sensor that was told; only vessel and from count
	d.spoil = func(vessel, what string, at time.Time, reading sensor.Reading) sensor.Reading {
		for _, o := range away {
			if o.vessel == vessel && o.what == what && !at.Before(o.from) && at.Before(o.until) {
				return reading.Fault(o.status, "dead for the campaign")
			}
		}
		return reading
	}
	d.heard = func(now time.Time, w warning) {
		if w.kind == string(alert.SensorLost) {
			lost = append(lost, outage{vessel: w.vessel, from: now})
		}
	}
	if err := d.run(ctx, story.Until); err != nil {
		return 0, 0, err
	}
	if err := d.close(ctx); err != nil {
		return 0, 0, err
	}
	r.trials++
	if err := got.close(ctx, dir); err != nil {
		return 0, 0, err
	}
	plain := s.plain
	plain.warnings, got.warnings = certain(plain.warnings), certain(got.warnings)
	r.add(plain, got)
	told, due = r.matchLost(story, away, lost)
	return told, due, nil
}

// lostAfter is after how long the demo's vessels count as not seen, and slack is
// how much later the warning may come: it is held back for a moment.
const (
	lostAfter = 5 * time.Minute
	slack     = 3 * time.Minute
)

// matchLost holds what was told against what had to be.
func (r *result) matchLost(story virtual.Scenario, away, lost []outage) (told, due int) {
	used := make([]bool, len(lost))
	for _, o := range away {
		if o.what != "height" {
			continue
		}
		must := o.until.Sub(o.from) > lostAfter+slack && underWay(story, o.vessel, o.from.Add(-lostAfter), o.from.Add(lostAfter+slack))
		found := false
		for i, l := range lost {
			if l.vessel == o.vessel && l.from.After(unseenFrom(story, o).Add(lostAfter-time.Minute)) && l.from.Before(o.until.Add(time.Minute)) {
				used[i], found = true, true
			}
		}
		if must {
			due++
			if found {
				told++
			} else {
				r.missed++
				r.say("missed sensor_lost of %s, away %s to %s", o.vessel, o.from.Format("15:04"), o.until.Format("15:04"))
			}
		}
	}
	for i, l := range lost {
		if !used[i] {
			r.falseAlarms++
			r.say("false sensor_lost of %s at %s", l.vessel, l.from.Format("15:04"))
		}
	}
	return told, due
}

// unseenFrom is since when the dough was not seen in an outage: a lid may have been off
// just before.
func unseenFrom(story virtual.Scenario, o outage) time.Time {
	for _, l := range story.LidsOff {
		if l.Vessel == o.vessel && l.From.Before(o.from) && l.Until.After(o.from.Add(-time.Minute)) {
			return l.From
		}
	}
	return o.from
}

// underWay tells whether a rise was on during the whole of a stretch.
func underWay(story virtual.Scenario, vessel string, from, until time.Time) bool {
	on := false
	for _, a := range story.Acts {
		if a.Vessel != vessel {
			continue
		}
		if a.At.After(from) && a.At.Before(until) && (a.Event == "start" || a.Event == "end") {
			return false
		}
		if !a.At.After(from) {
			on = a.Event != "end"
		}
	}
	return on
}
