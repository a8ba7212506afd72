package app

import (
	"context"
	"errors"
	"slices"
	"strings"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/lookback"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// CheckBackup says what would change if a file took the place of the history.
func (a *App) CheckBackup(ctx context.Context, file string) (history.Against, error) {
	found, err := a.opt.Store.CheckAgainst(ctx, file)
	if err != nil {
		return found, web.Refuse("This file cannot be restored: %s.", plainly(err, file))
	}
	return found, nil
}

// TakeBackup puts a backup in the place of the history while the watch goes on:
// rises under way, and those whose bake still goes on, stay as they are. The rest of
// the past comes from the backup, and so does what it teaches.
func (a *App) TakeBackup(ctx context.Context, file string) (string, error) {
	var keep []int64
	for _, name := range a.order {
		p := a.pipes[name]
		p.mu.Lock()
		keep = append(keep, p.rise.ID, p.processRise)
		p.mu.Unlock()
	}
	keep = slices.DeleteFunc(keep, func(id int64) bool { return id == 0 })
	aside, err := a.opt.Store.TakeBackup(ctx, history.TakeOver{Backup: file, Keep: keep, Past: []string{learnedPrefix}})
	if err != nil {
		a.log.Error("a backup was not taken over", "error", err)
		return "", web.Refuse("The backup was not restored and nothing was changed: %s.", plainly(err, file))
	}
	for _, p := range a.pipes {
		p.mu.Lock()
		a.applyLearned(ctx, p)
		p.mu.Unlock()
	}
	a.refreshAlarms(ctx)
	a.bell.ring()
	return aside, nil
}

// plainly words an error for the page, without the name an upload has here.
func plainly(err error, file string) string {
	text := strings.ReplaceAll(err.Error(), file, "the file")
	for _, before := range []string{"check the file: ", "take the backup over: "} {
		text = strings.TrimPrefix(text, before)
	}
	return strings.TrimSuffix(text, ".")
}

// ImportRecord reads a record into the history as a rise that ended.
func (a *App) ImportRecord(ctx context.Context, r web.Record) (web.Imported, error) {
	in := lookback.Import{File: r.File, Name: r.Name, Vessel: r.Vessel, Holds: r.Holds}
	if p := a.pipes[r.Vessel]; p != nil {
		p.mu.Lock()
		v := p.vessel
		p.mu.Unlock()
		if in.Holds == "" {
			in.Holds = v.Holds
		}
		c := EstimatorForImport(v, in.Holds)
		in.Estimator = &c
	}
	if in.Holds == "" {
		return web.Imported{}, web.Refuse("No vessel named %q is described here; say whether it held dough or starter.", r.Vessel)
	}
	id, err := in.Into(ctx, a.opt.Store)
	switch {
	case err == nil:
		a.bell.ring()
		return web.Imported{RiseID: id, Shape: in.Estimator != nil}, nil
	case errors.Is(err, history.ErrExists):
		return web.Imported{}, web.Refuse("The record was not taken in: %s was watched at that time already, and one vessel holds one rise at a time.", r.Vessel)
	case errors.Is(err, history.ErrMemoryOnly), errors.Is(err, context.Canceled):
		return web.Imported{}, err
	}
	return web.Imported{}, web.Refuse("The record was not taken in: %s.", plainly(err, r.File))
}

// EstimatorForImport describes a vessel for a record that was kept earlier. The
// batch of today is not that of the record.
func EstimatorForImport(v config.Vessel, holds estimator.Holds) estimator.Config {
	v.Batch, v.Holds = nil, holds
	return estimatorConfig(v, true)
}
