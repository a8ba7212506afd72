package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/estimator"
	"tidemark/history"
)

// lessons are the settings in which a service keeps what finished rises taught.
type lessons map[string][]byte

// pastRecords returns the records of a folder in the order of their names.
func pastRecords(folder string) ([]string, error) {
	if folder == "" {
		return nil, nil
	}
	entries, err := os.ReadDir(folder) // sorted by name
	if err != nil {
		return nil, fmt.Errorf("the past rises cannot be read: %w", err)
	}
	var out []string
	for _, e := range entries {
		if !e.IsDir() && filepath.Ext(e.Name()) == ".csv" {
			out = append(out, filepath.Join(folder, e.Name()))
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no .csv; name a folder of records of earlier rises in this vessel", folder)
	}
	return out, nil
}

// learnFrom plays earlier rises one after another, each with a history of its own and
// what those before it taught, and returns what all of them taught.
func learnFrom(ctx context.Context, o Options) (known lessons, err error) {
	records, err := pastRecords(o.Past)
	known = lessons{}
	for i, path := range records {
		if err != nil {
			break
		}
		past := Options{Config: o.Config, Record: path, Out: io.Discard, JSON: true, finished: true}
		if err = Check(ctx, &past); err != nil {
			break
		}
		err = remembering(ctx, known, func(store *history.Store) error {
			if err := play(ctx, past, store); err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			taught, err := store.Settings().List(ctx, "")
			for key, body := range taught {
				if strings.HasPrefix(key, app.LearnedPrefix) && known[key] == nil {
					key = fmt.Sprintf("%s/past-%d", key, i+1) // each history counts its rises from one
				}
				known[key] = body
			}
			return err
		})
	}
	return known, err
}

// remembering does something with a history of its own, in which a rise is followed
// and learned from as the service does. It holds what was learned before and is
// thrown away afterwards.
func remembering(ctx context.Context, known lessons, do func(*history.Store) error) error {
	dir, err := os.MkdirTemp("", "tidemark-replay-")
	if err != nil {
		return fmt.Errorf("there is no place to keep what past rises teach: %w", err)
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	store, err := history.Open(ctx, filepath.Join(dir, "past.db"), history.Options{})
	if err != nil {
		return err
	}
	if err = store.Settings().SetAll(ctx, known); err == nil {
		err = do(store)
	}
	return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}

// ending is the end of a rise that a record does not tell.
func ending(at time.Time) estimator.Sample {
	nan := math.NaN()
	return estimator.Sample{Time: at, DistanceMM: nan, DoughC: nan, AirC: nan, Event: estimator.End}
}
