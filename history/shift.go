package history

import (
	"context"
	"database/sql"
	"time"
)

// ShiftTimes moves everything of a rise that is stamped before the given moment
// by so much, for the time when a clock that started wrong was set at last.
// Samples that are still waiting are moved too.
func (s *Store) ShiftTimes(ctx context.Context, id int64, before time.Time, by time.Duration) error {
	if err := s.Flush(ctx); err != nil {
		return err
	}
	shift, limit := by.Milliseconds(), before.UnixMilli()
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, q := range shiftStatements() {
			if _, err := tx.ExecContext(ctx, q, sql.Named("id", id), sql.Named("by", shift), sql.Named("before", limit)); err != nil {
				return err
			}
		}
		return nil
	})
}

// shiftStatements move the times of a rise. Samples and forecasts go through a
// temporary table: moved in place, a row could meet one not yet moved.
func shiftStatements() []string {
	var out []string
	move := func(table, key string, more ...string) {
		where := " WHERE rise_id = :id AND " + key + " < :before"
		set := key + " = " + key + " + :by"
		for _, c := range more {
			set += ", " + c + " = " + c + " + :by"
		}
		out = append(out,
			"CREATE TEMP TABLE moving AS SELECT * FROM "+table+where,
			"DELETE FROM "+table+where,
			"UPDATE moving SET "+set,
			"INSERT OR REPLACE INTO "+table+" SELECT * FROM moving",
			"DROP TABLE moving")
	}
	move("samples", "t_ms")
	move("forecasts", "at_ms", "from_ms", "median_ms", "until_ms")
	for _, c := range []string{"started_ms", "ended_ms", "reached_ms", "peak_ms", "phase_since_ms"} {
		out = append(out, "UPDATE rises SET "+c+" = "+c+" + :by WHERE id = :id AND "+c+" < :before")
	}
	return append(out, "DELETE FROM rollups WHERE rise_id = :id", "UPDATE rises SET rolled = 0 WHERE id = :id",
		"UPDATE acts SET at_ms = at_ms + :by WHERE rise_id = :id AND at_ms < :before")
}
