package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// config reads the configuration a plan takes batch, target and time zone from:
// the one named, else the service's when there is one, else none.
func (f planFlags) config() (*config.Config, error) {
	file := *f.configFile
	if file == "" {
		if _, err := os.Stat(f.usual); errors.Is(err, fs.ErrNotExist) {
			return nil, nil
		}
		file = f.usual
	}
	return config.Load(file, config.WithoutSensors)
}

// learn takes in what the household's own rises and feedings teach and says what
// the plan is worked from. Without a history it is worked from published values.
func (f planFlags) learn(ctx context.Context, w *planner.Request) string {
	said, place, err := f.lessons(ctx, w)
	if err != nil {
		return f.words.Say("cli.plan.no_history", text.Values{"reason": err.Error()})
	}
	return f.words.Tell(said) + " " + f.words.Say("cli.plan.history", text.Values{"place": place})
}

// lessons reads the history, and says where it is.
func (f planFlags) lessons(ctx context.Context, w *planner.Request) (said bake.Said, where string, err error) {
	file := *f.configFile
	if file == "" {
		file = f.usual
	}
	path, how, err := findHistory("", file)
	if err == nil {
		_, err = os.Stat(path)
	}
	where = fmt.Sprintf("%s (%s)", path, how)
	if errors.Is(err, fs.ErrNotExist) {
		return said, where, fmt.Errorf("there is no history at %s", where)
	}
	if err != nil {
		return said, where, err
	}
	store, err := history.Open(ctx, path, history.Options{ReadOnly: true})
	if err != nil {
		return said, where, err
	}
	said, err = app.LearnInto(ctx, store, f.learnFrom, w, false)
	return said, where, errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}
