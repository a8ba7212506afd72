package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"tidemark/bake/planner"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/lookback"
	"tidemark/estimator"
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

// doughIn is the vessel that is planned for: the one named, else the first that
// holds the dough of a bulk.
func doughIn(cfg *config.Config, name string) (config.Vessel, error) {
	if name == "" {
		for _, v := range cfg.Vessels {
			if v.Holds == estimator.Dough && v.ProofOf == "" && v.SampleOf == "" {
				return v, nil
			}
		}
	}
	return cfg.Vessel(name)
}

// learn takes in what the household's own rises and feedings teach and says what
// the plan is worked from. Without a history it is worked from published values.
func (f planFlags) learn(ctx context.Context, w *planner.Wish) string {
	file := *f.configFile
	if file == "" {
		file = f.usual
	}
	place, err := lookback.Find("", file, os.Getenv, true)
	if err == nil {
		_, err = os.Stat(place.Path)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("Worked from published values: there is no history at %s (%s).", place.Path, place.How)
	case err != nil:
		return fmt.Sprintf("Worked from published values: %v.", err)
	}
	store, err := history.Open(ctx, place.Path, history.Options{ReadOnly: true})
	if err != nil {
		return fmt.Sprintf("Worked from published values: %v.", err)
	}
	l, err := app.ReadLessons(ctx, store, f.learnFrom, w.Batch, false)
	if err := errors.Join(err, store.Close(context.WithoutCancel(ctx))); err != nil {
		return fmt.Sprintf("Worked from published values: %v.", err)
	}
	w.Prior, w.Starter.Past, w.WarmerC = l.Prior, l.Feeds, l.WarmerC
	return fmt.Sprintf("%s History: %s (%s).", l, place.Path, place.How)
}
