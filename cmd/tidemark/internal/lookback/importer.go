package lookback

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"time"

	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
)

// Import says what to read into the history.
type Import struct {
	File   string // a record
	Vessel string
	Holds  estimator.Holds
	// Estimator describes the vessel; nil when its shape is not known, and then
	// only the readings are kept.
	Estimator *estimator.Config
}

// span is what the first pass finds in a record.
type span struct {
	start, end time.Time
	starts     int
}

// Import reads a record into the history as a rise that ended. A record that is
// wrong anywhere is refused before anything is written.
func (p Printer) Import(ctx context.Context, in Import) (int64, error) {
	found, err := survey(in.File)
	if err != nil {
		return 0, err
	}
	r := history.Rise{Vessel: in.Vessel, Holds: in.Holds, StartedAt: found.start, EndedAt: found.end, Phase: estimator.Ended,
		PeakPercent: math.NaN(), MeanDoughC: math.NaN(), MaxRate: math.NaN(), CeilingPct: math.NaN(), EquivHours: math.NaN(),
		PeakEquivHours: math.NaN(), ReachedEquivHours: math.NaN(), BaselineL: math.NaN(), BaselineSDL: math.NaN(), TargetPercent: math.NaN()}
	through, err := newThrough(in.Estimator)
	if err != nil {
		return 0, err
	}
	if r.ID, err = p.Store.ImportRise(ctx, r, through.rows(in.File, found)); err != nil {
		return 0, err
	}
	if through.est != nil {
		through.complete(&r)
		r.Imported = true
		if err := p.Store.EndRise(ctx, r); err != nil {
			return 0, err
		}
	}
	return r.ID, nil
}

// survey reads the whole record once and finds its rise: from the start event or
// the first distance to the end event or the last row.
func survey(file string) (span, error) {
	var s span
	for row, err := range recordRows(file) {
		if err != nil {
			return span{}, err
		}
		switch {
		case row.Event == string(estimator.Start):
			s.starts++
			s.start = row.Time
		case row.Event == string(estimator.End):
			s.end = row.Time
			if s.start.IsZero() {
				return span{}, fmt.Errorf("%s:%d: the end comes before any start or distance", file, row.Line)
			}
		case s.start.IsZero() && !math.IsNaN(row.DistanceMM):
			s.start = row.Time
		}
		if s.starts > 1 {
			return span{}, fmt.Errorf("%s:%d: a second start; an import takes one rise, so split the record there", file, row.Line)
		}
		if row.Event != string(estimator.End) && !s.end.IsZero() && row.Time.After(s.end) {
			continue // after the end
		}
		if row.Event == "" || s.end.IsZero() {
			s.lastRow(row.Time)
		}
	}
	if s.start.IsZero() {
		return span{}, fmt.Errorf("%s holds no start and no distance; there is no rise in it", file)
	}
	return s, nil
}
