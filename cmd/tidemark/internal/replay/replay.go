// Package replay runs a recorded rise through the same App as the live daemon,
// with the record as its driver and a stepped clock.
//
// Times are those of the record; the App is advanced every ten seconds of
// record time, so a gap in the record is lived through and not skipped.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
)

// How far apart the App is advanced and lines are printed, in record time.
const (
	stepEvery  = 10 * time.Second
	printEvery = time.Minute
)

// Options says what to replay and where to print.
type Options struct {
	Config    *config.Config // with exactly one vessel
	Record    string
	Out       io.Writer
	JSON      bool
	ChartFile string // .svg or .png; empty for none
	// Past is a folder: its *.csv, in the order of their names, are the household's
	// earlier rises in this vessel, learned from as the service would. Empty for none.
	Past string

	rows    []record.Row   // of Record, once Check has accepted it
	earlier [][]record.Row // of Past
	teaches bool           // it is one of those, and over with its record
}

// Check reads the records and refuses what is wrong with them, with the chart's name or
// with the folder of the past, before anything is written. The error names file, line
// and column where there are any.
func Check(ctx context.Context, o *Options) error {
	err := checkChartFile(o.ChartFile)
	var past []string
	if err == nil {
		past, err = pastRecords(o.Past)
	}
	for _, path := range past {
		rows, wrong := record.ReadFile(ctx, path, path)
		if wrong != nil {
			return wrong
		}
		o.earlier = append(o.earlier, rows)
	}
	if err == nil {
		o.rows, err = record.ReadFile(ctx, o.Record, o.Record)
	}
	return err
}

// hasStart reports whether a record says when the rise starts.
func hasStart(rows []record.Row) bool {
	return slices.ContainsFunc(rows, func(r record.Row) bool { return r.Event == string(estimator.Start) })
}

// Run replays a record that Check has accepted.
func Run(ctx context.Context, o Options) error {
	known, err := learnFrom(ctx, o)
	if err != nil {
		return err
	}
	// A history of its own: the record may be older than what was learned from.
	return remembering(ctx, known, func(store *history.Store) error { return play(ctx, o, store) })
}

// play replays one record with a history.
func play(ctx context.Context, o Options, store *history.Store) error {
	r, err := newRunner(o, store)
	if err != nil {
		return err
	}
	if err := r.app.Start(ctx); err != nil {
		return err
	}
	err = r.all(ctx, o.rows)
	if o.ChartFile != "" {
		err = errors.Join(err, writeChart(o.ChartFile, r.app.Chart(r.vessel), o.rows))
	}
	return errors.Join(err, r.app.Stop(context.WithoutCancel(ctx)))
}

// runner is one replay under way.
type runner struct {
	app     *app.App
	clock   *app.Stepped
	vessel  string
	out     printer
	start   time.Time
	next    time.Time // the next step
	ends    bool      // the rise ends with the record
	failure error     // first failure of the printer
}

// newRunner builds the App and the printers.
func newRunner(o Options, store *history.Store) (*runner, error) {
	first := o.rows[0]
	r := &runner{clock: &app.Stepped{}, vessel: o.Config.Vessels[0].Name, start: first.Time, next: first.Time, ends: o.teaches}
	zone := first.Time.Location()
	if o.JSON {
		r.out = jsonPrinter(o.Out, zone)
	} else {
		fmt.Fprintf(o.Out, "Rise in %s\n\n", r.vessel)
		r.out = linePrinter(o.Out, text.New(text.Locale{Zone: zone, Clock12: o.Config.Household.TwelveHour, Fahrenheit: o.Config.Household.Fahrenheit}))
	}
	o.Config.Household.Zone = zone
	r.clock.Set(first.Time)
	a, err := app.New(app.Options{Config: o.Config, Clock: r.clock, Store: store, StartTold: hasStart(o.rows), Untaught: len(o.earlier) == 0 && !o.teaches})
	r.app = a
	return r, err
}

// all feeds every row and steps the App through the times between.
func (r *runner) all(ctx context.Context, rows []record.Row) error {
	for _, row := range rows {
		if err := r.stepBefore(ctx, row.Time); err != nil {
			return err
		}
		r.clock.Set(row.Time)
		r.app.Observe(r.vessel, sample(row))
	}
	last := rows[len(rows)-1]
	if r.ends && last.Event != string(estimator.End) {
		nan := math.NaN()
		r.app.Observe(r.vessel, estimator.Sample{Time: last.Time, DistanceMM: nan, DoughC: nan, AirC: nan, Event: estimator.End})
	}
	r.step(last.Time, true) // the last row has its line, on the minute or not
	return r.failure
}

// stepBefore takes every step that lies before t. It ends early when ctx does or
// nobody takes the output any more.
func (r *runner) stepBefore(ctx context.Context, t time.Time) error {
	for r.next.Before(t) {
		if err := errors.Join(ctx.Err(), r.failure); err != nil {
			return err
		}
		r.step(r.next, r.next.Sub(r.start)%printEvery == 0)
		r.next = r.next.Add(stepEvery)
	}
	return nil
}

// step advances the App to t.
func (r *runner) step(t time.Time, print bool) {
	r.clock.Set(t)
	raised := r.app.Advance(t)
	if print || len(raised) > 0 {
		r.failure = errors.Join(r.failure, r.out(r.app.State(r.vessel), raised))
	}
}

// sample turns a row of the record into a sample.
func sample(row record.Row) estimator.Sample {
	return estimator.Sample{
		Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC,
		Event: estimator.Event(row.Event), Value: row.Value,
	}
}

// lessons are the settings in which a service keeps what finished rises taught.
type lessons map[string][]byte

// pastRecords returns the records of a folder in the order of their names.
func pastRecords(folder string) ([]string, error) {
	if folder == "" {
		return nil, nil
	}
	if _, err := os.ReadDir(folder); err != nil {
		return nil, fmt.Errorf("the past rises cannot be read: %w", err)
	}
	out, _ := filepath.Glob(filepath.Join(folder, "*.csv")) // sorted by name
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no .csv; name a folder of records of earlier rises in this vessel", folder)
	}
	return out, nil
}

// learnFrom plays earlier rises one after another, each with a history of its own and
// what those before it taught, and returns what all of them taught.
func learnFrom(ctx context.Context, o Options) (lessons, error) {
	known := lessons{}
	for i, rows := range o.earlier {
		err := remembering(ctx, known, func(store *history.Store) error {
			if err := play(ctx, Options{Config: o.Config, Out: io.Discard, JSON: true, rows: rows, teaches: true}, store); err != nil {
				return err
			}
			taught, err := store.Settings().List(ctx, "")
			for key, body := range taught {
				if strings.HasPrefix(key, app.LearnedPrefix) && known[key] == nil {
					key += fmt.Sprintf("%06d", i) // a number still: each history counts its rises from one
				}
				known[key] = body
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return known, nil
}

// remembering does something with a history of its own, in which a rise is followed
// and learned from as the service does. It holds what was learned before and is
// thrown away afterwards.
func remembering(ctx context.Context, known lessons, do func(*history.Store) error) error {
	dir, err := os.MkdirTemp("", "tidemark-replay-")
	if err != nil {
		return fmt.Errorf("there is no place for the replay's history: %w", err)
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	store, err := history.Open(ctx, filepath.Join(dir, "tidemark.db"), history.Options{})
	if err != nil {
		return err
	}
	if err = store.Settings().SetAll(ctx, known); err == nil {
		err = do(store)
	}
	return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}
