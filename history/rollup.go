package history

import (
	"context"
	"database/sql"
	"math"
	"time"
)

// rollupSpans are the widths of the roll-ups in seconds.
func rollupSpans() []int64 { return []int64{300, 3600} }

// rollupSQL builds the buckets of one width of one rise from its samples. In a
// query with max(), SQLite takes the other columns from the row of the maximum
// (https://www.sqlite.org/lang_select.html#bareagg).
const rollupSQL = `INSERT OR REPLACE INTO rollups
 (rise_id, span_s, t_ms, n, min_t_ms, min_mpct, max_t_ms, max_mpct, mean_mpct, dough_mc, air_mc, equiv_mh)
SELECT :id, :span, b.t, b.n, lo.t_ms, lo.m, hi.t_ms, hi.m, b.mean, b.dough, b.air, b.equiv
FROM (SELECT t_ms / (:span * 1000) * (:span * 1000) AS t, count(*) AS n,
        CAST(round(avg(rise_mpct)) AS INTEGER) AS mean, CAST(round(avg(dough_mc)) AS INTEGER) AS dough,
        CAST(round(avg(air_mc)) AS INTEGER) AS air, max(equiv_mh) AS equiv
      FROM samples WHERE rise_id = :id GROUP BY 1) b
LEFT JOIN (SELECT t_ms / (:span * 1000) * (:span * 1000) AS t, t_ms, min(rise_mpct) AS m
      FROM samples WHERE rise_id = :id AND rise_mpct IS NOT NULL GROUP BY 1) lo ON lo.t = b.t
LEFT JOIN (SELECT t_ms / (:span * 1000) * (:span * 1000) AS t, t_ms, max(rise_mpct) AS m
      FROM samples WHERE rise_id = :id AND rise_mpct IS NOT NULL GROUP BY 1) hi ON hi.t = b.t`

// summarySQL works out of the samples what they say better than the caller may
// have noted: mean dough temperature and growth times. Where they say nothing, the
// caller's value stays.
const summarySQL = `UPDATE rises SET rolled = 1,
 mean_dough_c = coalesce((SELECT avg(dough_mc) / 1000 FROM samples WHERE rise_id = :id), mean_dough_c),
 equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id), equiv_hours),
 peak_equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id AND t_ms <= peak_ms), peak_equiv_hours),
 reached_equiv_hours = coalesce((SELECT max(equiv_mh) / 1000.0 FROM samples WHERE rise_id = :id AND t_ms <= reached_ms), reached_equiv_hours)
 WHERE id = :id`

// rollUp builds the roll-ups of one ended rise and completes its summary.
func (s *Store) rollUp(ctx context.Context, id int64) error {
	return s.write(ctx, func(tx *sql.Tx) error { return rollUpIn(ctx, tx, id) })
}

// rollUpIn is rollUp within a transaction.
func rollUpIn(ctx context.Context, tx *sql.Tx, id int64) error {
	for _, span := range rollupSpans() {
		if _, err := tx.ExecContext(ctx, rollupSQL, sql.Named("id", id), sql.Named("span", span)); err != nil {
			return err
		}
	}
	_, err := tx.ExecContext(ctx, summarySQL, sql.Named("id", id))
	return err
}

// Hour is one hour of a rise in the roll-ups. Missing values are NaN.
type Hour struct {
	Start                               time.Time
	Samples                             int
	MinPercent, MeanPercent, MaxPercent float64
	MeanDoughC, MeanAirC                float64
	EquivHours                          float64 // at the end of the hour
}

// Hours returns the hours of a rise that ended.
func (s *Store) Hours(ctx context.Context, riseID int64) ([]Hour, error) {
	buckets, err := s.buckets(ctx, riseID, 3600)
	out := make([]Hour, len(buckets))
	for i, b := range buckets {
		out[i] = Hour{Start: b.start, Samples: b.n, MinPercent: b.low, MeanPercent: b.mean, MaxPercent: b.high,
			MeanDoughC: b.dough, MeanAirC: b.air, EquivHours: b.equiv}
	}
	return out, err
}

// bucket is one line of roll-ups.
type bucket struct {
	start, lowAt, highAt               time.Time
	n                                  int
	low, high, mean, dough, air, equiv float64
}

// buckets reads the roll-ups of one width.
func (s *Store) buckets(ctx context.Context, riseID, spanS int64) ([]bucket, error) {
	var out []bucket
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT t_ms, n, min_t_ms, min_mpct, max_t_ms, max_mpct, mean_mpct, dough_mc, air_mc, equiv_mh
 FROM rollups WHERE rise_id = ? AND span_s = ? ORDER BY t_ms`, riseID, spanS)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var b bucket
			var start, lowAt, highAt, low, high, mean, dough, air, equiv sql.NullInt64
			if err := rows.Scan(&start, &b.n, &lowAt, &low, &highAt, &high, &mean, &dough, &air, &equiv); err != nil {
				return err
			}
			b.start, b.lowAt, b.highAt = fromMS(start), fromMS(lowAt), fromMS(highAt)
			b.low, b.high, b.mean = fromMilli(low), fromMilli(high), fromMilli(mean)
			b.dough, b.air, b.equiv = fromMilli(dough), fromMilli(air), fromMilli(equiv)
			out = append(out, b)
		}
		return rows.Err()
	})
	return out, err
}

// CurvePoint is one point of a curve for comparing rises.
type CurvePoint struct {
	Time        time.Time
	RisePercent float64
	EquivHours  float64 // growth time at 24 C since the start; NaN when unknown
	DoughC      float64
}

// Curve returns at most n points of a rise for a chart of several. For a rise
// that ended it reads the roll-ups: the lowest and the highest of each five
// minutes, so it is quick even on a small board. For one under way, and for a
// short one, it thins the samples. n is at least 4.
func (s *Store) Curve(ctx context.Context, riseID int64, n int) ([]CurvePoint, error) {
	buckets, err := s.buckets(ctx, riseID, 300)
	if err != nil {
		return nil, err
	}
	if len(buckets) < 24 {
		return s.sampleCurve(ctx, riseID, n)
	}
	rows := make([]Row, 0, 2*len(buckets))
	before := 0.0
	for _, b := range buckets {
		rows = append(rows, b.points(before)...)
		if !math.IsNaN(b.equiv) {
			before = b.equiv
		}
	}
	return curvePoints(thin(rows, max(n, 4))), nil
}

// points are the lowest and the highest point of a bucket in order of time. The
// growth time within the bucket is taken as even.
func (b bucket) points(equivBefore float64) []Row {
	if math.IsNaN(b.low) {
		return nil
	}
	at := func(t time.Time, pct float64) Row {
		part := t.Sub(b.start).Seconds() / 300
		return Row{Time: t, RisePercent: pct, DoughC: b.dough, EquivHours: equivBefore + part*(b.equiv-equivBefore)}
	}
	switch low, high := at(b.lowAt, b.low), at(b.highAt, b.high); {
	case b.lowAt.Equal(b.highAt):
		return []Row{low}
	case b.lowAt.Before(b.highAt):
		return []Row{low, high}
	default:
		return []Row{high, low}
	}
}

// sampleCurve thins the samples themselves.
func (s *Store) sampleCurve(ctx context.Context, riseID int64, n int) ([]CurvePoint, error) {
	rows, err := s.ThinRows(ctx, riseID, time.Time{}, time.Time{}, n)
	return curvePoints(rows), err
}

// curvePoints drops rows without a rise.
func curvePoints(rows []Row) []CurvePoint {
	out := make([]CurvePoint, 0, len(rows))
	for _, r := range rows {
		if !math.IsNaN(r.RisePercent) {
			out = append(out, CurvePoint{r.Time, r.RisePercent, r.EquivHours, r.DoughC})
		}
	}
	return out
}
