package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/demo"
	"tidemark/history"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
	"tidemark/web"
)

const (
	// stepEvery is how far apart, in kitchen time, sensors are read.
	stepEvery = 10 * time.Second
	// flushEvery is how often samples go to disk, as in the daemon: here by
	// the kitchen's clock, which runs faster than the machine's.
	flushEvery = time.Minute
	// kitchenSeed is the chance of sensors and room; the faults have their own.
	kitchenSeed = 7
	// historyFile is the name of the history in its folder.
	historyFile = "tidemark.db"
)

// dayOf is the day on which the n-th story begins.
func dayOf(n int) time.Time { return time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n) }

// household is the story of the demo, with the jar emptied and the tub turned out some
// minutes later: what the household is told just before that would be told or not by
// the luck of a few readings, and no fault could be blamed for either.
func household(begin time.Time) virtual.Scenario {
	story := virtual.Household(begin)
	for i, a := range story.Acts {
		switch {
		case a.Vessel == "jar" && a.Event == "end":
			story.Acts[i].At = a.At.Add(7 * time.Minute)
		case a.Vessel == "tub" && a.Event == "end":
			story.Acts[i].At = a.At.Add(15 * time.Minute)
		}
	}
	return story
}

// day is one invented day on its way through an App.
type day struct {
	story   virtual.Scenario
	kitchen *virtual.Kitchen
	now     time.Time // of the kitchen
	clock   timepiece // of the App
	store   *history.Store
	app     *app.App
	acts    []virtual.Act
	took    int // acts done when it was opened
	next    int // act to come

	// What may be put in from outside.
	spoil  func(vessel, what string, at time.Time, r sensor.Reading) sensor.Reading
	before func(now time.Time) error // called before every step
	absent func(now time.Time) bool  // nobody watches: the step is left out
	silent func(now time.Time) bool  // no sensor was asked in this step
	after  func(now time.Time) error // called after every step
	heard  func(now time.Time, w warning)
	raised func(now time.Time, a alert.Alarm)
	did    func(act int)
}

// openDay opens the history in dir and takes the story up at a moment, with the
// first acts already done.
func openDay(ctx context.Context, dir string, story virtual.Scenario, at time.Time, done int) (*day, error) {
	clock := &handClock{}
	clock.Set(at)
	return openDayOn(ctx, dir, story, clock, at, done, nil)
}

// openDayOn is openDay with a clock of its own for the App, which stands at the
// moment at of the kitchen. change may alter the options of the App.
func openDayOn(ctx context.Context, dir string, story virtual.Scenario, clock timepiece, at time.Time, done int, change func(*app.Options)) (*day, error) {
	cfg, err := demo.Config(dir, "", story)
	if err != nil {
		return nil, err
	}
	d := &day{story: story, kitchen: virtual.New(story, kitchenSeed), clock: clock, now: at, took: done, next: done}
	d.acts = d.kitchen.Acts()
	// The machine's clock must not flush: see flushEvery.
	d.store, err = history.Open(ctx, filepath.Join(dir, historyFile), history.Options{Now: clock.Wall, FlushEvery: 24 * time.Hour})
	if err != nil {
		return nil, err
	}
	opt := app.Options{Config: cfg, Clock: clock.watch(), Store: d.store, Demo: true, StartTold: true}
	if change != nil {
		change(&opt)
	}
	d.app, err = app.New(opt)
	if err == nil {
		err = d.app.Start(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, d.store.Close(ctx))
	}
	return d, nil
}

// openWallDay is openDay on a machine whose clocks go on when it sleeps.
func openWallDay(ctx context.Context, dir string, story virtual.Scenario) (*day, error) {
	return openDayOn(ctx, dir, story, newWallClock(story.Start, 0, time.UTC), story.Start, 0, func(o *app.Options) {
		o.Timesync = filepath.Join(dir, "no-time-client")
	})
}

// close ends the day in order.
func (d *day) close(ctx context.Context) error {
	return errors.Join(d.app.Stop(ctx), d.store.Close(ctx))
}

// run plays the story until a moment of the kitchen.
func (d *day) run(ctx context.Context, until time.Time) error {
	for d.now.Before(until) {
		if err := ctx.Err(); err != nil {
			return err
		}
		now := d.now.Add(stepEvery)
		d.now = now
		d.clock.Set(now)
		if d.before != nil {
			if err := d.before(now); err != nil {
				return err
			}
		}
		if d.absent != nil && d.absent(now) {
			continue
		}
		if err := d.step(ctx, now); err != nil {
			return err
		}
	}
	return nil
}

// step does what people do, reads every sensor and moves the App on.
func (d *day) step(ctx context.Context, now time.Time) error {
	for d.next < len(d.acts) && !d.acts[d.next].At.After(now) {
		if err := d.act(ctx, d.acts[d.next]); err != nil {
			return err
		}
		d.next++
		if d.did != nil {
			d.did(d.next)
		}
	}
	if d.silent == nil || !d.silent(now) {
		d.observe(now)
	}
	d.app.FollowWall(ctx) // as the live watch does
	for _, a := range d.app.Advance(d.clock.Now()) {
		if d.heard != nil {
			d.heard(now, warning{a.Vessel, string(a.Kind)})
		}
		if d.raised != nil {
			d.raised(now, a)
		}
	}
	if d.after != nil {
		if err := d.after(now); err != nil {
			return err
		}
	}
	if now.Sub(d.story.Start)%flushEvery == 0 {
		// A disk that takes nothing is the store's affair: it holds on to the
		// rows and says so.
		_ = d.store.Flush(ctx)
	}
	return nil
}

// observe reads every sensor of the kitchen.
func (d *day) observe(now time.Time) {
	stamp := d.clock.Now()
	for _, v := range d.story.Vessels {
		d.app.Observe(v.Name, app.SampleOf(stamp,
			d.read(v.Name, "height", now, d.kitchen.Distance),
			d.read(v.Name, "dough", now, d.kitchen.Dough),
			d.read(v.Name, "air", now, d.kitchen.Air)))
	}
}

// act tells the App what a person did, as the page would. A person who comes back
// after a fault and does it again is refused where it makes no sense any more.
func (d *day) act(ctx context.Context, a virtual.Act) error {
	if d.next == d.took && d.takenDown(a) {
		return nil
	}
	err := d.app.Act(ctx, web.Act{Kind: web.ActKind(a.Event), Vessel: a.Vessel, By: "invented household"})
	var refused web.Refusal
	if errors.As(err, &refused) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s of %s at %s: %w", a.Event, a.Vessel, a.At.Format("15:04"), err)
	}
	return nil
}

// takenDown reports whether an earlier process did an act that it had no time to tell
// of before it was killed. People see it on the page and do not press again.
func (d *day) takenDown(a virtual.Act) bool {
	for _, v := range d.app.Snapshot().Vessels {
		if v.Name == a.Vessel && a.Event == string(web.ActFold) {
			return slices.ContainsFunc(v.Deeds, func(x web.Deed) bool {
				return x.Kind == web.ActFold && !x.At.Before(a.At.Add(-stepEvery))
			})
		}
	}
	return false
}

// read reads one sensor, spoilt or not.
func (d *day) read(vessel, what string, now time.Time, from func(string, time.Time) sensor.Reading) sensor.Reading {
	r := from(vessel, now)
	if d.spoil != nil {
		r = d.spoil(vessel, what, now, r)
	}
	return r
}

// stored tells the last stored reading of each rise under way. A rise of which
// only the start is there stands with the zero time: it may have been noticed
// just now, and its start dated back.
func stored(ctx context.Context, s *history.Store) (map[string]time.Time, error) {
	rises, err := s.OpenRises(ctx)
	if err != nil {
		return nil, err
	}
	out := map[string]time.Time{}
	for _, r := range rises {
		out[r.Vessel] = time.Time{}
		for row, err := range s.Rows(ctx, r.ID, time.Time{}, time.Time{}) {
			if err != nil {
				return nil, err
			}
			out[r.Vessel] = row.Time
		}
	}
	return out, nil
}
