package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// afterShaping is how long the day goes on without a sensor: final proof, oven,
// cooling, slicing.
const afterShaping = 7 * time.Hour

// Headless plays one whole invented day as fast as it can and prints it.
func Headless(ctx context.Context, out io.Writer, dir string, day time.Time, seed uint64) error {
	scenario := virtual.Household(day)
	cfg, err := Config(dir, "", scenario)
	if err != nil {
		return err
	}
	clock := &app.Stepped{}
	clock.Set(scenario.Start)
	path := filepath.Join(dir, "tidemark.db")
	store, err := history.Open(ctx, path, history.Options{Now: clock.Now})
	if err != nil {
		return fmt.Errorf("the history in %s cannot be opened: %w", dir, err)
	}
	err = play(ctx, out, app.Options{Config: cfg, Clock: clock, Store: store, Demo: true, StartTold: true}, clock, scenario, seed)
	err = errors.Join(err, store.Close(ctx))
	if err == nil {
		fmt.Fprintf(out, "\nThe rises of this day are kept in %s\n", path)
	}
	return err
}

// play drives the day and prints the timeline.
func play(ctx context.Context, out io.Writer, o app.Options, clock *app.Stepped, scenario virtual.Scenario, seed uint64) error {
	a, err := app.New(o)
	if err != nil {
		return err
	}
	if err := a.Start(ctx); err != nil {
		return err
	}
	t := newTimeline(out, text.New(text.Locale{Zone: scenario.Start.Location()}))
	fmt.Fprintf(out, "%s\nAll of this is invented data.\n\n", scenario.Title)
	d := newDriver(a, clock, scenario, seed, t.person)
	d.raised = t.alarm
	d.runTo(scenario.Until.Add(afterShaping), func(now time.Time) {
		for _, v := range a.Snapshot().Vessels {
			t.estimate(v.Vessel, v.Estimate)
			t.bread(now, v)
		}
	})
	return a.Stop(ctx)
}
