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

// ImportRecord reads a record into the history as a rise that ended. Of a vessel that is
// not described only the readings are kept.
func (a *App) ImportRecord(ctx context.Context, r web.Record) (web.Imported, error) {
	v := a.vessels[r.Vessel]
	var shape *estimator.Config // the batch of today is not that of the record
	if v != nil {
		v.mu.Lock()
		c := v.config
		v.mu.Unlock()
		r.Holds = cmp.Or(r.Holds, c.Holds)
		c.Batch, c.Holds = nil, r.Holds
		e := estimatorConfig(c, true)
		shape = &e
	}
	if r.Holds == "" {
		return web.Imported{}, bake.Refuse("import_holds", text.Values{"vessel": r.Vessel})
	}
	id, err := a.importRecord(ctx, r, shape)
	switch {
	case err == nil:
		if v != nil {
			a.learnBeside(v, id)
		}
		a.updates.notify()
		return web.Imported{RiseID: id, Shape: shape != nil}, nil
	case errors.Is(err, history.ErrExists):
		return web.Imported{}, bake.Refuse("import_twice", text.Values{"vessel": r.Vessel})
	case errors.Is(err, context.Canceled):
		return web.Imported{}, err
	}
	return web.Imported{}, bake.Refuse("import", text.Values{"reason": plainly(err, r.File)})
}

// importRecord reads a record whole before anything is written, and returns the number of
// its rise.
func (a *App) importRecord(ctx context.Context, in web.Record, shape *estimator.Config) (int64, error) {
	rows, err := record.ReadFile(ctx, in.File, in.Name)
	if err != nil {
		return 0, err
	}
	began, ended, err := riseIn(rows, in.Name)
	if err != nil {
		return 0, err
	}
	r := bake.Rise{Vessel: in.Vessel, Holds: in.Holds, StartedAt: began, EndedAt: ended, Phase: estimator.Ended, PeakPercent: nan(), MeanDoughC: nan(), MaxRate: nan(), CeilingPercent: nan(),
		EquivHours: nan(), PeakEquivHours: nan(), ReachedEquivHours: nan(), BaselineL: nan(), BaselineSDL: nan(), TargetPercent: nan()}
	samples, err := foldRecord(rows, &r, shape)
	if err != nil {
		return 0, err
	}
	return a.opt.Store.ImportRise(ctx, r, samples)
}

// riseIn finds the rise within a record: from the start event, or else the first
// distance, to the end event, or else the last row.
func riseIn(rows []record.Row, name string) (began, ended time.Time, err error) {
	started := false
	for _, row := range rows {
		switch {
		case row.Event == string(estimator.Start) && started:
			return began, ended, fmt.Errorf("%s:%d: a second start; an import takes one rise, so split the record there", name, row.Line)
		case row.Event == string(estimator.Start):
			began, started = row.Time, true
		case row.Event == string(estimator.End) && ended.IsZero():
			ended = row.Time
		case began.IsZero() && !math.IsNaN(row.DistanceMM):
			began = row.Time
		}
	}
	if ended.IsZero() {
		ended = rows[len(rows)-1].Time
	}
	if began.IsZero() || !ended.After(began) {
		err = fmt.Errorf("%s holds no rise: a start or a first distance, and later rows, are needed", name)
	}
	return began, ended, err
}

// importEvery is the step of the samples that are kept; those with an event are anyway.
const importEvery = 10 * time.Second

// foldRecord returns a rise's samples as the history keeps them, and sums the rise up.
// What the vessel's shape would say is left out where that is nil.
func foldRecord(rows []record.Row, r *bake.Rise, shape *estimator.Config) (out []bake.Recorded, err error) {
	var est *estimator.Estimator
	if shape != nil {
		if est, err = estimator.New(*shape); err != nil {
			return nil, err
		}
	}
	var next time.Time
	for _, row := range rows {
		if row.Time.Before(r.StartedAt) || row.Time.After(r.EndedAt) {
			continue
		}
		x := bake.Recorded{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, RisePercent: nan(), RiseSD: nan(), EquivHours: nan(), Event: estimator.Event(row.Event)}
		if est != nil {
			x.Rejected = est.Observe(estimator.Sample{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC, Event: x.Event, Value: row.Value}).Reason
		}
		if row.Time.Before(next) && row.Event == "" {
			continue
		}
		next = row.Time.Add(importEvery)
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
