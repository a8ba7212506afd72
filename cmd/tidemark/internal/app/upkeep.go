package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
	"tidemark/web"
)

// CheckBackup says what would change if a file took the place of the history.
func (a *App) CheckBackup(ctx context.Context, file string) (history.Preview, error) {
	found, err := a.opt.Store.Preview(ctx, file)
	if err != nil {
		return found, bake.Refuse("backup", text.Values{"reason": plainly(err, file)})
	}
	return found, nil
}

// TakeBackup puts a backup in the place of the history and lets the vessels learn from
// its rises.
func (a *App) TakeBackup(ctx context.Context, file string) error {
	if _, err := a.opt.Store.Restore(ctx, file, LearnedPrefix); err != nil {
		a.log.Error("a backup was not taken", "error", err)
		return bake.Refuse("restore", text.Values{"reason": plainly(err, file)})
	}
	for _, v := range a.order {
		v.mu.Lock()
		v.learn()
		v.mu.Unlock()
	}
	a.updates.notify()
	return nil
}

// Restart receives when changed settings count only after a restart: the App is to be
// stopped and begun again.
func (a *App) Restart() <-chan struct{} { return a.restart }

// plainly words an error for the page, without the name an upload has here.
func plainly(err error, file string) string {
	text := strings.ReplaceAll(err.Error(), file, "the file")
	for _, before := range []string{"restore: ", "check the file: "} {
		text = strings.TrimPrefix(text, before)
	}
	return strings.TrimSuffix(text, ".")
}

// ImportRecord reads a record into the history as a rise that ended.
func (a *App) ImportRecord(ctx context.Context, r web.Record) (web.Imported, error) {
	in := recordImport{File: r.File, Name: r.Name, Vessel: r.Vessel, Holds: r.Holds}
	if w := a.vessels[r.Vessel]; w != nil {
		w.mu.Lock()
		v := w.config
		w.mu.Unlock()
		if in.Holds == "" {
			in.Holds = v.Holds
		}
		in.Config = &v
	}
	if in.Holds == "" {
		return web.Imported{}, bake.Refuse("import_holds", text.Values{"vessel": r.Vessel})
	}
	id, err := in.into(ctx, a.opt.Store)
	switch {
	case err == nil:
		if v := a.vessels[r.Vessel]; v != nil {
			a.learnBeside(v, id)
		}
		a.updates.notify()
		return web.Imported{RiseID: id, Shape: in.Config != nil}, nil
	case errors.Is(err, history.ErrExists):
		return web.Imported{}, bake.Refuse("import_twice", text.Values{"vessel": r.Vessel})
	case errors.Is(err, context.Canceled):
		return web.Imported{}, err
	}
	return web.Imported{}, bake.Refuse("import", text.Values{"reason": plainly(err, r.File)})
}

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
