package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// opensAt is how far into the day the page first shows the kitchen: the starter
// has been used and the dough is about half way.
const opensAt = 8 * time.Hour

// tick is how often, in real time, the accelerated kitchen is moved on.
const tick = 100 * time.Millisecond

// Options of the demo with a page.
type Options struct {
	Dir     string
	Listen  string
	Speed   float64 // kitchen time over real time
	Day     time.Time
	Seed    uint64
	Version string // of the program, for the page's foot
}

// errRestart ends a day so that the next begins with a restored history.
var errRestart = errors.New("the demo restarts")

// Serve shows the invented kitchen on a page until ctx ends. After one day the
// next begins.
func Serve(ctx context.Context, out io.Writer, o Options) error {
	for {
		if err := serveFrom(ctx, out, o); !errors.Is(err, errRestart) {
			return err
		}
		o.Day = o.Day.AddDate(0, 0, 1)
	}
}

// serveFrom is Serve from one day on, until a restart is asked for.
func serveFrom(ctx context.Context, out io.Writer, o Options) error {
	scenario := virtual.Household(o.Day)
	cfg, err := Config(o.Dir, o.Listen, scenario)
	if err != nil {
		return err
	}
	clock := &app.Stepped{}
	clock.Set(scenario.Start)
	store, err := history.Open(ctx, filepath.Join(o.Dir, "tidemark.db"), history.Options{Now: clock.Now})
	if err != nil {
		return fmt.Errorf("the history in %s cannot be opened: %w", o.Dir, err)
	}
	if err := keepLoaves(ctx, store, scenario.Start, o.Seed); err != nil {
		return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
	}
	a, err := app.New(app.Options{Config: cfg, Clock: clock, Store: store, Demo: true, Listen: o.Listen, Version: o.Version, StartTold: true})
	if err == nil {
		err = serve(ctx, out, a, clock, o)
	}
	return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}

// serve opens the page and lets the days pass.
func serve(ctx context.Context, out io.Writer, a *app.App, clock *app.Stepped, o Options) error {
	if err := a.Start(ctx); err != nil {
		return err
	}
	fmt.Fprintf(out, "An invented kitchen at http://%s, %g times as fast as a real one.\nIts history is in %s. End it with Ctrl-C.\n", a.Address(), o.Speed, o.Dir)
	err := days(ctx, a, clock, o)
	return errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
}

// days plays one day after the other.
func days(ctx context.Context, a *app.App, clock *app.Stepped, o Options) error {
	for n := 0; ctx.Err() == nil; n++ {
		d := newDriver(a, clock, virtual.Household(o.Day.AddDate(0, 0, n)), o.Seed+uint64(n), nil)
		if n == 0 {
			d.runTo(clock.Now().Add(opensAt), nil)
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
			d.runTo(from.Add(time.Duration(float64(time.Since(began))*speed)).Truncate(sampleEvery), nil)
		}
	}
	return nil
}
