package history

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"time"

	"tidemark/estimator"
)

const rowColumns = "t_ms, distance_um, dough_mc, air_mc, rise_mpct, sd_mpct, equiv_mh, rejected, event"

// rowsPerRead bounds one read, so that a slow consumer never keeps the
// write-ahead log from being folded in.
const rowsPerRead = 2000

// scanRow reads one line with rowColumns.
func scanRow(rows *sql.Rows) (Row, error) {
	var t int64
	var distance, dough, air, pct, sd, equiv sql.NullInt64
	var rejected, event sql.NullString
	err := rows.Scan(&t, &distance, &dough, &air, &pct, &sd, &equiv, &rejected, &event)
	return Row{
		Time: time.UnixMilli(t).UTC(), DistanceMM: fromMilli(distance), DoughC: fromMilli(dough),
		AirC: fromMilli(air), RisePercent: fromMilli(pct), RiseSD: fromMilli(sd), EquivHours: fromMilli(equiv),
		Rejected: rejected.String, Event: estimator.Event(event.String),
	}, err
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

// selectRows reads the samples of a rise in [lo, hi), at most limit.
func (s *Store) selectRows(ctx context.Context, riseID, lo, hi int64, limit int) ([]Row, error) {
	var out []Row
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT "+rowColumns+" FROM samples WHERE rise_id = ? AND t_ms >= ? AND t_ms < ? ORDER BY t_ms LIMIT ?",
			riseID, lo, hi, limit)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			r, err := scanRow(rows)
			if err != nil {
				return err
			}
			out = append(out, r)
		}
		return rows.Err()
	})
	return out, err
}

// Rows walks the samples of a rise in [from, until) in order of time, those not
// yet written included; a zero bound does not restrict. After an error the walk
// ends. No lock and no read transaction is held between two samples.
func (s *Store) Rows(ctx context.Context, riseID int64, from, until time.Time) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		// The buffer first: what moves to the file meanwhile is then seen twice,
		// never missed.
		waiting := s.buf.of(riseID, from, until)
		for i := range waiting {
			waiting[i] = rounded(waiting[i])
		}
		lo, hi := bounds(from, until)
		for more := true; more; {
			part, err := s.selectRows(ctx, riseID, lo, hi, rowsPerRead)
			if err != nil {
				yield(Row{}, fmt.Errorf("read the samples of rise %d: %w", riseID, err))
				return
			}
			more = len(part) == rowsPerRead
			for _, r := range part {
				for len(waiting) > 0 && waiting[0].Time.Before(r.Time) {
					if !yield(waiting[0], nil) {
						return
					}
					waiting = waiting[1:]
				}
				for len(waiting) > 0 && waiting[0].Time.Equal(r.Time) {
					waiting = waiting[1:]
				}
				if !yield(r, nil) {
					return
				}
				lo = r.Time.UnixMilli() + 1
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
	round := func(v float64) float64 {
		m, ok := milli(v).(int64)
		if !ok {
			return math.NaN()
		}
		return float64(m) / 1000
	}
	for _, v := range valuesOf(&r) {
		*v = round(*v)
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

// Forecasts returns the forecasts kept of a rise, in order of time.
func (s *Store) Forecasts(ctx context.Context, riseID int64) ([]ForecastRow, error) {
	waiting := s.buf.told()
	var out []ForecastRow
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT rise_id, at_ms, from_ms, median_ms, until_ms, rise_percent, target_percent,
 reach_chance, ceiling_percent, ceiling_low, ceiling_high FROM forecasts WHERE rise_id = ? ORDER BY at_ms`, riseID)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			f, err := scanForecast(rows)
			if err != nil {
				return err
			}
			out = append(out, f)
		}
		return rows.Err()
	})
	for _, f := range waiting {
		if f.RiseID == riseID && (len(out) == 0 || out[len(out)-1].At.Before(f.At.Truncate(time.Millisecond))) {
			out = append(out, f)
		}
	}
	return out, err
}

// scanForecast reads one line of forecasts.
func scanForecast(rows *sql.Rows) (ForecastRow, error) {
	var f ForecastRow
	var at, from, median, until sql.NullInt64
	var rise, target, chance, ceiling, low, high sql.NullFloat64
	err := rows.Scan(&f.RiseID, &at, &from, &median, &until, &rise, &target, &chance, &ceiling, &low, &high)
	f.At = fromMS(at)
	f.Ready = estimator.Window{From: fromMS(from), Median: fromMS(median), Until: fromMS(until)}
	f.RisePercent, f.TargetPercent, f.ReachChance = fromNumber(rise), fromNumber(target), fromNumber(chance)
	f.CeilingPercent, f.CeilingLow, f.CeilingHigh = fromNumber(ceiling), fromNumber(low), fromNumber(high)
	return f, err
}
