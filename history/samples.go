package history

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// Row is one stored sample with the estimate at that time. Missing values are
// NaN and are stored as NULL.
type Row struct {
	Time        time.Time
	DistanceMM  float64
	DoughC      float64
	AirC        float64
	RisePercent float64
	RiseSD      float64
	EquivHours  float64
	Rejected    string // reason when the distance was not believed
	Event       estimator.Event
}

// Forecast is what was said at one moment about when the dough is ready: the
// median and, from and until, the 10 % and 90 % quantiles.
type Forecast struct {
	RiseID int64
	At     time.Time // when it was said
	Ready  estimator.Window
}

// valuesOf lists the measurements of a row in the order of the file's columns.
func valuesOf(r *Row) [6]*float64 {
	return [6]*float64{&r.DistanceMM, &r.DoughC, &r.AirC, &r.RisePercent, &r.RiseSD, &r.EquivHours}
}

const rowColumns = "t_ms, distance_um, dough_mc, air_mc, rise_mpct, sd_mpct, equiv_mh, rejected, event"

// rowsPerRead bounds one read, so that a slow consumer never keeps the
// write-ahead log from being folded in.
const rowsPerRead = 2000

// storedRow is a row with the moment of its key, which a spoiled file may have
// beyond what a time can say.
type storedRow struct {
	Row
	ms int64
}

// scanRow reads one line with rowColumns.
func scanRow(scan scanner) (storedRow, error) {
	var t int64
	var v [6]sql.NullInt64
	var rejected, event sql.NullString
	err := scan(&t, &v[0], &v[1], &v[2], &v[3], &v[4], &v[5], &rejected, &event)
	r := Row{Time: fromMS(sql.NullInt64{Int64: t, Valid: true}), Rejected: rejected.String, Event: estimator.Event(event.String)}
	for i, to := range valuesOf(&r) {
		*to = fromMilli(v[i])
	}
	return storedRow{r, t}, err
}

// bounds turns [from, until) into milliseconds; a zero time does not restrict.
func bounds(from, until time.Time) (lo, hi int64) {
	lo, hi = math.MinInt64, math.MaxInt64
	if !from.IsZero() {
		lo = from.UnixMilli()
	}
	if !until.IsZero() {
		hi = until.UnixMilli()
	}
	return lo, hi
}

// waitingRows returns the rows of a rise within bounds that are not in the file
// yet, in order of time, as they will read back.
func (s *Store) waitingRows(riseID, lo, hi int64) []Row {
	var out []Row
	for _, r := range s.queue.of(riseID) {
		if at := r.Row.Time.UnixMilli(); at >= lo && at < hi {
			out = append(out, rounded(r.Row))
		}
	}
	slices.SortStableFunc(out, func(a, b Row) int { return a.Time.Compare(b.Time) })
	return out
}

// Rows walks the samples of a rise in [from, until) in order of time, those not
// yet written included; a zero bound does not restrict. After an error the walk
// ends. No lock and no read transaction is held between two samples.
func (s *Store) Rows(ctx context.Context, riseID int64, from, until time.Time) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		lo, hi := bounds(from, until)
		// The queue first: what moves to the file meanwhile is then seen twice,
		// never missed.
		waiting := s.waitingRows(riseID, lo, hi)
		for more := true; more; {
			part, err := selectAll(ctx, s, scanRow, "SELECT "+rowColumns+" FROM samples WHERE rise_id = ? AND t_ms >= ? AND t_ms < ? ORDER BY t_ms LIMIT ?",
				riseID, lo, hi, rowsPerRead)
			if err != nil {
				yield(Row{}, fmt.Errorf("read the samples of rise %d: %w", riseID, err))
				return
			}
			more = len(part) == rowsPerRead
			for _, r := range part {
				for len(waiting) > 0 && !waiting[0].Time.After(r.Time) {
					if waiting[0].Time.Before(r.Time) && !yield(waiting[0], nil) {
						return
					}
					waiting = waiting[1:]
				}
				if !yield(r.Row, nil) {
					return
				}
				lo = r.ms + 1
			}
		}
		for _, r := range waiting {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// rounded is a row as it reads back from the file.
func rounded(r Row) Row {
	r.Time = time.UnixMilli(r.Time.UnixMilli()).UTC()
	for _, v := range valuesOf(&r) {
		m, ok := milli(*v).(int64)
		*v = fromMilli(sql.NullInt64{Int64: m, Valid: ok})
	}
	return r
}

// ThinRows returns at most n samples of a rise in [from, until) for a chart. The
// first, the last, and in each stretch of time the lowest and the highest rise
// are among them, and events as long as they fit. n is at least 4.
func (s *Store) ThinRows(ctx context.Context, riseID int64, from, until time.Time, n int) ([]Row, error) {
	if n < 4 {
		return nil, fmt.Errorf("history: a thinned curve needs 4 points or more, got %d", n)
	}
	var all []Row
	for r, err := range s.Rows(ctx, riseID, from, until) {
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	return thin(all, n), nil
}

// thin chooses at most n of the rows, in order.
func thin(rows []Row, n int) []Row {
	if len(rows) <= n {
		return rows
	}
	keep := make(map[int]bool, n)
	keep[0], keep[len(rows)-1] = true, true
	for i, r := range rows {
		if r.Event != estimator.NoEvent && len(keep) < 2+(n-2)/2 {
			keep[i] = true
		}
	}
	buckets := int64((n - len(keep)) / 2)
	first := rows[0].Time.UnixMilli()
	span := rows[len(rows)-1].Time.UnixMilli() - first + 1
	low, high, bucket := -1, -1, int64(0)
	flush := func() {
		if low >= 0 {
			keep[low], keep[high] = true, true
		}
		low, high = -1, -1
	}
	for i := 0; i < len(rows) && buckets > 0; i++ {
		if b := (rows[i].Time.UnixMilli() - first) * buckets / span; b != bucket {
			flush()
			bucket = b
		}
		if math.IsNaN(rows[i].RisePercent) {
			continue
		}
		if low < 0 || rows[i].RisePercent < rows[low].RisePercent {
			low = i
		}
		if high < 0 || rows[i].RisePercent > rows[high].RisePercent {
			high = i
		}
	}
	flush()
	out := make([]Row, 0, len(keep))
	for i, r := range rows {
		if keep[i] {
			out = append(out, r)
		}
	}
	return out
}

// Forecasts returns what was forecast during a rise, in order of time, what waits
// for the disk included.
func (s *Store) Forecasts(ctx context.Context, riseID int64) ([]Forecast, error) {
	_, waiting, _ := s.queue.take()
	out, err := selectAll(ctx, s, func(scan scanner) (Forecast, error) {
		var at, from, median, until sql.NullInt64
		err := scan(&at, &from, &median, &until)
		return Forecast{riseID, fromMS(at), estimator.Window{From: fromMS(from), Median: fromMS(median), Until: fromMS(until)}}, err
	}, "SELECT at_ms, p10_ms, median_ms, p90_ms FROM forecasts WHERE rise_id = ? ORDER BY at_ms", riseID)
	for _, f := range waiting {
		if f.RiseID == riseID {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b Forecast) int { return a.At.Compare(b.At) })
	return slices.CompactFunc(out, func(a, b Forecast) bool { return a.At.Equal(b.At) }), err
}
