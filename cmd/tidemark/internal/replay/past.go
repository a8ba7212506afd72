package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/history"
)

// lessons are the settings in which a service keeps what finished rises taught.
type lessons map[string][]byte

// pastRecords returns the records of a folder in the order of their names.
func pastRecords(folder string) ([]string, error) {
	if folder == "" {
		return nil, nil
	}
	if _, err := os.ReadDir(folder); err != nil {
		return nil, fmt.Errorf("the past rises cannot be read: %w", err)
	}
	out, _ := filepath.Glob(filepath.Join(folder, "*.csv")) // sorted by name
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no .csv; name a folder of records of earlier rises in this vessel", folder)
	}
	return out, nil
}

// learnFrom plays earlier rises one after another, each with a history of its own and
// what those before it taught, and returns what all of them taught.
func learnFrom(ctx context.Context, o Options) (lessons, error) {
	known := lessons{}
	for i, rows := range o.earlier {
		err := remembering(ctx, known, func(store *history.Store) error {
			if err := play(ctx, Options{Config: o.Config, Out: io.Discard, JSON: true, rows: rows, finished: true}, store); err != nil {
				return err
			}
			taught, err := store.Settings().List(ctx, "")
			for key, body := range taught {
				if strings.HasPrefix(key, app.LearnedPrefix) && known[key] == nil {
					key += fmt.Sprintf("%06d", i) // a number still: each history counts its rises from one
				}
				known[key] = body
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return known, nil
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
