package app

import (
	"context"
	"errors"
	"strings"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
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
