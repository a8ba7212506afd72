package lookback

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"time"

	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
)

// Import says what to read into the history.
type Import struct {
	File   string // a record, or a CSV that the page or an export wrote
	Name   string // what messages call it; empty for File
	Vessel string
	Holds  estimator.Holds
	// Estimator describes the vessel; nil when its shape is not known, and then
	// only the readings are kept.
	Estimator *estimator.Config
}

// span is the rise within a record.
type span struct{ start, end time.Time }

// Into reads a record into the history as a rise that ended and returns the rise's
// number. A record that is wrong anywhere is refused before anything is written.
func (in Import) Into(ctx context.Context, store *history.Store) (int64, error) {
	if in.Name == "" {
		in.Name = in.File
	}
	if err := in.check(ctx); err != nil {
		return 0, err
	}
	found, err := in.survey()
	if err != nil {
		return 0, err
	}
	r := history.Rise{Vessel: in.Vessel, Holds: in.Holds, StartedAt: found.start, EndedAt: found.end, Phase: estimator.Ended,
		PeakPercent: math.NaN(), MeanDoughC: math.NaN(), MaxRate: math.NaN(), CeilingPct: math.NaN(), EquivHours: math.NaN(),
		PeakEquivHours: math.NaN(), ReachedEquivHours: math.NaN(), BaselineL: math.NaN(), BaselineSDL: math.NaN(), TargetPercent: math.NaN()}
	through, err := newThrough(in.Estimator)
	if err != nil {
		return 0, err
	}
	if r.ID, err = store.ImportRise(ctx, r, through.rows(in, found)); err != nil {
		return 0, err
	}
	if through.est != nil {
		through.complete(&r)
		r.Imported = true
		if err := store.EndRise(ctx, r); err != nil {
			return 0, err
		}
	}
	return r.ID, nil
}

// open opens the record.
func (in Import) open() (*os.File, error) {
	f, err := os.Open(in.File)
	if err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(fmt.Errorf("%s is not a plain file; a record is read twice, so name a .csv file", in.Name), f.Close())
	}
	return f, nil
}

// check refuses a record that is wrong anywhere.
func (in Import) check(ctx context.Context) error {
	f, err := in.open()
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = record.Check(ctx, asRecord(f), in.Name)
	return err
}

// survey reads the whole record once and finds its rise: from the start event, or
// else the first distance, to the end event, or else the last row.
func (in Import) survey() (span, error) {
	var s span
	var last time.Time
	started := false
	for row, err := range in.rows() {
		if err != nil {
			return span{}, err
		}
		switch {
		case row.Event == string(estimator.Start) && started:
			return span{}, fmt.Errorf("%s:%d: a second start; an import takes one rise, so split the record there", in.Name, row.Line)
		case row.Event == string(estimator.Start):
			s.start, started = row.Time, true
		case row.Event == string(estimator.End) && s.end.IsZero():
			s.end = row.Time
		case s.start.IsZero() && !math.IsNaN(row.DistanceMM):
			s.start = row.Time
		}
		last = row.Time
	}
	if s.end.IsZero() {
		s.end = last
	}
	if s.start.IsZero() || !s.end.After(s.start) {
		return span{}, fmt.Errorf("%s holds no rise: a start or a first distance, and later rows, are needed", in.Name)
	}
	return s, nil
}

// rows walks the record.
func (in Import) rows() iter.Seq2[record.Row, error] {
	return func(yield func(record.Row, error) bool) {
		f, err := in.open()
		if err != nil {
			yield(record.Row{}, err)
			return
		}
		defer f.Close()
		rows, err := record.Open(asRecord(f), in.Name)
		for err == nil {
			var row record.Row
			if row, err = rows.Next(); err == nil && !yield(row, nil) {
				return
			}
		}
		if !errors.Is(err, io.EOF) {
			yield(record.Row{}, err)
		}
	}
}

// through is the way of a record through the estimator.
type through struct {
	est     *estimator.Estimator
	last    estimator.Estimate
	maxRate float64
	next    time.Time
}

// newThrough prepares the estimator, if the vessel is known.
func newThrough(c *estimator.Config) (*through, error) {
	t := &through{maxRate: math.NaN()}
	if c == nil {
		return t, nil
	}
	var err error
	t.est, err = estimator.New(*c)
	return t, err
}

// rows are the samples of the rise as the history keeps them.
func (t *through) rows(in Import, s span) iter.Seq2[history.Row, error] {
	return func(yield func(history.Row, error) bool) {
		for row, err := range in.rows() {
			if err != nil {
				yield(history.Row{}, err)
				return
			}
			if row.Time.Before(s.start) || row.Time.After(s.end) {
				continue
			}
			if !yield(t.row(row), nil) {
				return
			}
		}
	}
}

// estimateEvery is the step of the estimate, that of the stored samples.
const estimateEvery = 10 * time.Second

// row turns one row of the record into a sample with its estimate.
func (t *through) row(row record.Row) history.Row {
	out := history.Row{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC,
		RisePercent: math.NaN(), RiseSD: math.NaN(), EquivHours: math.NaN(), Event: estimator.Event(row.Event)}
	if t.est == nil {
		return out
	}
	v := t.est.Observe(estimator.Sample{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, Event: out.Event})
	if !v.Accepted {
		out.Rejected = v.Reason
	}
	if row.Time.Before(t.next) && row.Event == "" {
		return out // too close to be kept
	}
	t.next = row.Time.Add(estimateEvery)
	t.last = t.est.Estimate(row.Time)
	if rate := t.last.RatePercentPerHour; rate > t.maxRate || math.IsNaN(t.maxRate) {
		t.maxRate = rate
	}
	out.RisePercent, out.RiseSD, out.EquivHours = t.last.RisePercent, t.last.RiseSD, t.last.EquivalentHours
	return out
}

// complete carries what the estimator found over into the rise.
func (t *through) complete(r *history.Rise) {
	e := t.last
	r.BaselineL, r.TargetPercent, r.PeakPercent, r.PeakAt = e.BaselineL, e.TargetPercent, e.PeakPercent, e.PeakAt
	r.CeilingPct, r.MaxRate = e.CeilingPercent, t.maxRate
	if e.ReadyIsPast {
		r.ReachedAt = e.Ready.Median
	}
}
