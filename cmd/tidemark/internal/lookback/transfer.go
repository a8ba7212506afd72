package lookback

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
	"tidemark/web/past"
)

// File is the name of the history within a state directory.
const File = "tidemark.db"

// DefaultStateDir is where the packaged service keeps its state.
const DefaultStateDir = "/var/lib/tidemark"

// Place is where a history is looked for.
type Place struct {
	Path string
	How  string // in words, for errors
}

// Find returns where the service's history is. It asks in this order: the file named
// by hand, TIDEMARK_STATE, systemd's STATE_DIRECTORY, state_dir of the
// configuration, /var/lib/tidemark. The file must exist unless mayBeNew.
func Find(byHand, configFile string, getenv func(string) string, mayBeNew bool) (Place, error) {
	p, err := where(byHand, configFile, getenv)
	if err != nil {
		return Place{}, err
	}
	_, err = os.Stat(p.Path)
	switch {
	case err == nil || mayBeNew && errors.Is(err, fs.ErrNotExist):
		return p, nil
	case errors.Is(err, fs.ErrPermission):
		return Place{}, fmt.Errorf("no permission to read %s (%s); run it with sudo, or as the user of the service", p.Path, p.How)
	}
	return Place{}, fmt.Errorf("there is no history at %s (%s); name it with --db FILE", p.Path, p.How)
}

// where decides on the place without looking at it.
func where(byHand, configFile string, getenv func(string) string) (Place, error) {
	if byHand != "" {
		return Place{byHand, "named by --db"}, nil
	}
	for _, name := range []string{"TIDEMARK_STATE", "STATE_DIRECTORY"} {
		if dir, _, _ := strings.Cut(getenv(name), ":"); dir != "" { // systemd lists several with colons
			return Place{filepath.Join(dir, File), "named by " + name}, nil
		}
	}
	dir, err := config.StateDir(configFile)
	switch {
	case err != nil:
		return Place{}, fmt.Errorf("%w; name the history with --db FILE", err)
	case dir != "":
		return Place{filepath.Join(dir, File), "named by state_dir in " + configFile}, nil
	}
	return Place{filepath.Join(DefaultStateDir, File), "the usual place"}, nil
}

// Export writes one rise with its samples, as the page gives it: as CSV, which replay and
// import read, or as JSON.
func (p Printer) Export(ctx context.Context, id int64, asJSON bool, w io.Writer) error {
	r, err := p.rise(ctx, id)
	if err != nil {
		return err
	}
	rows, err := p.Store.Record(ctx, id)
	if err != nil {
		return err
	}
	if asJSON {
		return past.WriteJSON(w, r, rows, p.Words.Locale().Zone)
	}
	return past.WriteCSV(w, rows, p.Words.Locale().Zone)
}

// ToFile writes a file by way of a temporary name, so that it is whole or absent.
func ToFile(name string, write func(w io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".tidemark-export-*")
	if err != nil {
		return fmt.Errorf("the export cannot be written: %w", err)
	}
	defer os.Remove(f.Name()) //nolint:errcheck // it is gone after the rename
	if err = write(f); err == nil {
		err = f.Chmod(0o644)
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), name)
	}
	return err
}

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

// Into reads a record into the history as a rise that ended and returns the rise's
// number. A record that is wrong anywhere is refused before anything is written.
func (in Import) Into(ctx context.Context, store *history.Store) (int64, error) {
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
func (in Import) span(rows []record.Row, r *bake.Rise) error {
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
func (in Import) fold(rows []record.Row, r *bake.Rise) (out []history.Row, err error) {
	var est *estimator.Estimator
	if in.Estimator != nil {
		if est, err = estimator.New(*in.Estimator); err != nil {
			return nil, err
		}
	}
	var next time.Time
	for _, row := range rows {
		if row.Time.Before(r.StartedAt) || row.Time.After(r.EndedAt) {
			continue
		}
		x := history.Row{Time: row.Time, DistanceMM: row.DistanceMM, DoughC: row.DoughC, AirC: row.AirC,
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
