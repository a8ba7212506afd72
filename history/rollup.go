package history

import (
	"context"
	"database/sql"
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

// rollUp builds the roll-ups of one ended rise.
func (s *Store) rollUp(ctx context.Context, id int64) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, span := range rollupSpans() {
			if _, err := tx.ExecContext(ctx, rollupSQL, sql.Named("id", id), sql.Named("span", span)); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, "UPDATE rises SET rolled = 1 WHERE id = ?", id)
		return err
	})
}
