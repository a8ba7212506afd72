package app

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
)

// recordImport says what to read into the history.
type recordImport struct {
	File   string // a record, or a CSV that the page or an export wrote
	Name   string // what messages call it; empty for File
	Vessel string
	Holds  estimator.Holds
	// Config describes the vessel; nil when its shape is not known, and then only
	// the readings are kept. The batch of today is not that of the record.
	Config *config.Vessel
}

// into reads a record into the history as a rise that ended and returns the rise's
// number. A record that is wrong anywhere is refused before anything is written.
func (in recordImport) into(ctx context.Context, store *history.Store) (int64, error) {
	in.Name = cmp.Or(in.Name, in.File)
	nan := math.NaN()
	r := bake.Rise{Vessel: in.Vessel, Holds: in.Holds, Phase: estimator.Ended, PeakPercent: nan, MeanDoughC: nan, MaxRate: nan, CeilingPercent: nan,
		EquivHours: nan, PeakEquivHours: nan, ReachedEquivHours: nan, BaselineL: nan, BaselineSDL: nan, TargetPercent: nan}
	rows, err := record.ReadFile(ctx, in.File, in.Name)
	if err == nil {
		err = in.span(rows, &r)
	}
	if err != nil {
		return 0, err
	}
	samples, err := in.fold(rows, &r)
	if err != nil {
		return 0, err
	}
	return store.ImportRise(ctx, r, samples)
}

// span finds the rise within the record: from the start event, or else the first
// distance, to the end event, or else the last row.
func (in recordImport) span(rows []record.Row, r *bake.Rise) error {
	started := false
	for _, row := range rows {
		switch {
		case row.Event == string(estimator.Start) && started:
			return fmt.Errorf("%s:%d: a second start; an import takes one rise, so split the record there", in.Name, row.Line)
		case row.Event == string(estimator.Start):
			r.StartedAt, started = row.Time, true
		case row.Event == string(estimator.End) && r.EndedAt.IsZero():
			r.EndedAt = row.Time
		case r.StartedAt.IsZero() && !math.IsNaN(row.DistanceMM):
			r.StartedAt = row.Time
		}
	}
	if r.EndedAt.IsZero() {
		r.EndedAt = rows[len(rows)-1].Time
	}
	if r.StartedAt.IsZero() || !r.EndedAt.After(r.StartedAt) {
		return fmt.Errorf("%s holds no rise: a start or a first distance, and later rows, are needed", in.Name)
	}
	return nil
}

// keepEvery is the step of the samples that are kept; those with an event are anyway.
const keepEvery = 10 * time.Second

// fold returns the rise's samples as the history keeps them, and sums the rise up. What
// the vessel's shape would say is left out where it is not known.
func (in recordImport) fold(rows []record.Row, r *bake.Rise) (out []bake.Recorded, err error) {
	var est *estimator.Estimator
	if in.Config != nil {
		v := *in.Config
		v.Batch, v.Holds = nil, in.Holds
		if est, err = estimator.New(estimatorConfig(v, true)); err != nil {
			return nil, err
		}
	}
	var next time.Time
	for _, row := range rows {
		if row.Time.Before(r.StartedAt) || row.Time.After(r.EndedAt) {
			continue
		}
		x := bake.Recorded{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC,
			RisePercent: math.NaN(), RiseSD: math.NaN(), EquivHours: math.NaN(), Event: estimator.Event(row.Event)}
		if est != nil {
			x.Rejected = est.Observe(estimator.Sample{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, Event: x.Event}).Reason
		}
		if row.Time.Before(next) && row.Event == "" {
			continue
		}
		next = row.Time.Add(keepEvery)
		if est != nil {
			e := est.Estimate(row.Time)
			x.RisePercent, x.RiseSD, x.EquivHours = e.RisePercent, e.RiseSD, e.EquivalentHours
			r.BaselineL, r.TargetPercent, r.PeakPercent, r.PeakAt, r.CeilingPercent = e.BaselineL, e.TargetPercent, e.PeakPercent, e.PeakAt, e.CeilingPercent
			if rate := e.RatePercentPerHour; rate > r.MaxRate || math.IsNaN(r.MaxRate) {
				r.MaxRate = rate
			}
			if r.ReachedAt = (time.Time{}); e.ReadyIsPast {
				r.ReachedAt = e.Ready.Median
			}
		}
		out = append(out, x)
	}
	return out, nil
}
