package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/timeline"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// opensAt is how far into the day the page first shows the kitchen: the starter
// has been used and the dough is about half way.
const opensAt = 8 * time.Hour

// afterShaping is how long the day goes on without a sensor: final proof, oven,
// cooling, slicing.
const afterShaping = 7 * time.Hour

// tick is how often, in real time, the accelerated kitchen is moved on.
const tick = 100 * time.Millisecond

// Options of the demo.
type Options struct {
	Dir     string  // of its history
	Listen  string  // where the page is; empty for none
	Speed   float64 // kitchen time over real time, with a page
	Day     time.Time
	Seed    uint64
	Version string // of the program, for the page's foot
}

// errRestart ends a day so that the next begins anew.
var errRestart = errors.New("the demo restarts")

// Headless plays one whole invented day as fast as it can and prints it.
func Headless(ctx context.Context, out io.Writer, o Options) error {
	return o.play(ctx, func(a *app.App, clock *app.Stepped, path string) error {
		scenario := virtual.Household(o.Day)
		fmt.Fprintf(out, "%s\nAll of this is invented data.\n\n", scenario.Title)
		d := newDriver(a, clock, scenario, o.Seed, timeline.New(out, text.New(text.Locale{Zone: scenario.Start.Location()})))
		d.runTo(scenario.Until.Add(afterShaping))
		_, err := fmt.Fprintf(out, "\nThe rises of this day are kept in %s\n", path)
		return err
	})
}

// Serve shows the invented kitchen on a page until ctx ends. After one day the
// next begins.
func Serve(ctx context.Context, out io.Writer, o Options) error {
	for {
		err := o.play(ctx, func(a *app.App, clock *app.Stepped, _ string) error {
			fmt.Fprintf(out, "An invented kitchen at http://%s, %g times as fast as a real one.\nIts history is in %s. End it with Ctrl-C.\n", a.Address(), o.Speed, o.Dir)
			return o.days(ctx, a, clock)
		})
		if !errors.Is(err, errRestart) {
			return err
		}
		o.Day = o.Day.AddDate(0, 0, 1)
	}
}

// play opens the history at path and the App for a day, and does something with them.
func (o Options) play(ctx context.Context, do func(a *app.App, clock *app.Stepped, path string) error) error {
	scenario := virtual.Household(o.Day)
	cfg, err := Config(o.Dir, o.Listen, scenario)
	if err != nil {
		return err
	}
	clock := &app.Stepped{}
	clock.Set(scenario.Start)
	path := filepath.Join(o.Dir, "tidemark.db")
	store, err := history.Open(ctx, path, history.Options{Now: clock.Now})
	if err != nil {
		return fmt.Errorf("the history in %s cannot be opened: %w", o.Dir, err)
	}
	if o.Listen != "" {
		err = keepLoaves(ctx, store, scenario.Start, o.Seed)
	}
	var a *app.App
	if err == nil {
		a, err = app.New(app.Options{Config: cfg, Clock: clock, Store: store, Demo: true, Listen: o.Listen, Version: o.Version, StartTold: true})
	}
	if err == nil {
		if err = a.Start(ctx); err == nil {
			err = errors.Join(do(a, clock, path), a.Stop(context.WithoutCancel(ctx)))
		}
	}
	return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}

// days plays one day after the other.
func (o Options) days(ctx context.Context, a *app.App, clock *app.Stepped) error {
	for n := 0; ctx.Err() == nil; n++ {
		d := newDriver(a, clock, virtual.Household(o.Day.AddDate(0, 0, n)), o.Seed+uint64(n), nil)
		if n == 0 {
			d.runTo(clock.Now().Add(opensAt))
		}
		if err := d.inStep(ctx, a, o.Speed); err != nil {
			return err
		}
	}
	return nil
}

// inStep moves the day on with the real clock until it is over.
func (d *driver) inStep(ctx context.Context, a *app.App, speed float64) error {
	t := time.NewTicker(tick)
	defer t.Stop()
	end := d.kitchen.Scenario().Until.Add(afterShaping)
	from, began := d.clock.Now(), time.Now()
	for d.clock.Now().Before(end) {
		select {
		case <-ctx.Done():
			return nil
		case err := <-a.Failed():
			return err
		case <-a.Restart():
			return errRestart
		case <-t.C:
			d.runTo(from.Add(time.Duration(float64(time.Since(began)) * speed)).Truncate(sampleEvery))
		}
	}
	return nil
}

// The vessels of the story that are told apart.
const (
	doughTub  = "tub"
	sampleCup = "cup"
)

// Config describes the invented kitchen as a configuration file would.
func Config(stateDir, listen string, scenario virtual.Scenario) (*config.Config, error) {
	c := &config.Config{
		File: "the demo's own configuration", StateDir: stateDir, SampleEvery: sampleEvery,
		Household: config.Household{Zone: scenario.Start.Location(), Language: "en"},
		Web:       config.Web{Listen: listen},
	}
	for _, v := range scenario.Vessels {
		p, err := config.ProfileOf(v.Profile)
		if err != nil {
			return nil, err
		}
		w := config.Vessel{
			Name: v.Name, Holds: estimator.Holds(v.Holds), FloorMM: v.FloorMM, Profile: p,
			TargetPercent: 100, Lead: 30 * time.Minute, LostAfter: 5 * time.Minute,
		}
		switch {
		case v.Name == sampleCup:
			w.SampleOf, w.TargetPercent = doughTub, 50
		case w.Holds == estimator.Dough:
			b := bake.DefaultBatch()
			w.Batch = &b
		default:
			w.Feed = &bake.Feed{StarterG: 60, FlourG: 60, WaterG: 60}
		}
		c.Vessels = append(c.Vessels, w)
	}
	return c, nil
}
