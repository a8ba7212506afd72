// Package replay runs a recorded rise through the same App as the live daemon,
// with the record as its driver and a stepped clock.
//
// Times are those of the record; the App is advanced every ten seconds of
// record time, so a gap in the record is lived through and not skipped. Memory
// does not grow with the record unless a chart is asked for.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"tidemark/alert"
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
	Record    string         // a record that Check has accepted
	Out       io.Writer
	JSON      bool
	ChartFile string // .svg or .png; empty for none
	HasStart  bool   // the record has a start row; set by Check
	// Past is a folder: its *.csv, in the order of their names, are the household's
	// earlier rises in this vessel, learned from as the service would. Empty for none.
	Past string

	finished bool // the rise is over with the record
}

// printer shows estimates as they come.
type printer interface {
	print(e estimator.Estimate, raised []alert.Alarm) error
	finish() error
}

// Run replays a record that Check has accepted.
func Run(ctx context.Context, o Options) error {
	if o.Past == "" {
		return play(ctx, o, nil)
	}
	known, err := learnFrom(ctx, o)
	if err != nil {
		return err
	}
	// A history of its own: the record may be older than what was learned from.
	return remembering(ctx, known, func(store *history.Store) error { return play(ctx, o, store) })
}

// play replays one record with a history, nil for none.
func play(ctx context.Context, o Options, store *history.Store) error {
	f, err := os.Open(o.Record)
	if err != nil {
		return fmt.Errorf("the record cannot be read: %w", err)
	}
	defer f.Close()
	rows, err := record.Open(f, o.Record)
	if err != nil {
		return err
	}
	first, err := rows.Next()
	if err != nil {
		return fmt.Errorf("%s has changed since it was checked: %w; try again", o.Record, err)
	}
	r, err := newRunner(o, first, store)
	if err != nil {
		return err
	}
	if err := r.app.Start(ctx); err != nil {
		return err
	}
	err = r.all(ctx, rows, first)
	return errors.Join(err, r.app.Stop(context.WithoutCancel(ctx)), r.finish())
}

// runner is one replay under way.
type runner struct {
	app     *app.App
	clock   *app.Stepped
	vessel  string
	out     printer
	chart   *chartFile
	start   time.Time
	next    time.Time // the next step
	ends    bool      // the rise ends with the record
	failure error     // first failure of the printer
}

// newRunner builds the App and the printers.
func newRunner(o Options, first record.Row, store *history.Store) (*runner, error) {
	r := &runner{clock: &app.Stepped{}, vessel: o.Config.Vessels[0].Name, start: first.Time, next: first.Time, ends: o.finished}
	zone := first.Time.Location()
	if o.JSON {
		r.out = newJSONPrinter(o.Out, zone)
	} else {
		r.out = newTablePrinter(o.Out, zone, r.vessel)
	}
	if o.ChartFile != "" {
		r.chart = newChartFile(o.ChartFile, zone, r.vessel)
	}
	household := o.Config.Household
	household.Zone = zone
	o.Config.Household = household
	r.clock.Set(first.Time)
	a, err := app.New(app.Options{Config: o.Config, Clock: r.clock, Store: store, StartTold: o.HasStart})
	r.app = a
	return r, err
}

// all feeds every row and steps the App through the times between.
func (r *runner) all(ctx context.Context, rows *record.Reader, row record.Row) error {
	for {
		if err := r.stepBefore(ctx, row.Time); err != nil {
			return err
		}
		r.clock.Set(row.Time)
		r.app.Observe(r.vessel, sample(row))
		r.noteEvent(row)
		next, err := rows.Next()
		if errors.Is(err, io.EOF) {
			if r.ends && row.Event != string(estimator.End) {
				r.app.Observe(r.vessel, ending(row.Time))
			}
			r.step(row.Time, true) // the last row has its line, on the minute or not
			return r.failure
		}
		if err != nil {
			return err
		}
		row = next
	}
}

// noteEvent hands what a person did to the chart.
func (r *runner) noteEvent(row record.Row) {
	if r.chart != nil && row.Event != "" {
		r.chart.event(row.Time, estimator.Event(row.Event))
	}
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
	if r.chart != nil && print {
		r.chart.see(r.app.Estimate(r.vessel))
	}
	if print || len(raised) > 0 {
		r.failure = errors.Join(r.failure, r.out.print(r.app.Estimate(r.vessel), raised))
	}
}

// finish ends the output and writes the chart.
func (r *runner) finish() error {
	err := r.out.finish()
	if r.chart != nil {
		err = errors.Join(err, r.chart.write(r.app.Estimate(r.vessel)))
	}
	return err
}

// sample turns a row of the record into a sample.
func sample(row record.Row) estimator.Sample {
	return estimator.Sample{
		Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC,
		Event: estimator.Event(row.Event), Value: row.Value,
	}
}

// Check reads the whole record once and refuses what is wrong with it, with the
// chart's name or with the folder of the past, before anything is written. It notes
// in o whether the record says when the rise starts. The error names file, line and
// column where there are any.
func Check(ctx context.Context, o *Options) error {
	if err := checkChartFile(o.ChartFile); err != nil {
		return err
	}
	past, err := pastRecords(o.Past)
	if err != nil {
		return err
	}
	for _, path := range past {
		if _, err := checkRecord(ctx, path); err != nil {
			return err
		}
	}
	o.HasStart, err = checkRecord(ctx, o.Record)
	return err
}

// checkRecord reads a record once and reports whether it has a start row.
func checkRecord(ctx context.Context, path string) (hasStart bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("the record cannot be read: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return false, fmt.Errorf("%s is not a plain file; a record is read twice, so name a .csv file", path)
	}
	return record.Check(ctx, f, path)
}
