package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Retention says how long what is kept. Rises, acts, judgements and roll-ups stay
// for good.
type Retention struct {
	// Samples is how long a rise keeps all its samples after its end. Later it
	// keeps about two in five minutes, the lowest and the highest. 0 means 400 days.
	Samples time.Duration
	// Letters is how long messages that were sent, failed or withdrawn are kept.
	// 0 means 60 days.
	Letters time.Duration
}

// Maintained says what a pass did.
type Maintained struct {
	RolledUp int   // rises rolled up
	Thinned  int   // rises whose samples were thinned
	Letters  int64 // messages removed
}

// Maintain does the housekeeping: call it once a day. It works in small
// transactions, so the watch is never held up for long, and stops when ctx ends.
func (s *Store) Maintain(ctx context.Context, keep Retention) (Maintained, error) {
	if keep.Samples <= 0 {
		keep.Samples = 400 * 24 * time.Hour
	}
	if keep.Letters <= 0 {
		keep.Letters = 60 * 24 * time.Hour
	}
	var m Maintained
	// What waits must not come after, and a disk that refuses it has no room to work in.
	if err := s.Flush(ctx); err != nil {
		return m, err
	}
	now := s.opt.Now()
	ids, err := s.riseIDs(ctx, "ended_ms IS NOT NULL AND rolled = 0")
	if err != nil {
		return m, err
	}
	for _, id := range ids {
		if err := s.rollUp(ctx, id); err != nil {
			return m, fmt.Errorf("roll up rise %d: %w", id, err)
		}
		m.RolledUp++
	}
	ids, err = s.riseIDs(ctx, "thinned = 0 AND rolled = 1 AND ended_ms < ?", now.Add(-keep.Samples).UnixMilli())
	if err != nil {
		return m, err
	}
	for _, id := range ids {
		if err := s.thinStored(ctx, id); err != nil {
			return m, fmt.Errorf("thin the samples of rise %d: %w", id, err)
		}
		m.Thinned++
	}
	m.Letters, err = s.dropLetters(ctx, now.Add(-keep.Letters))
	return m, err
}

// riseIDs returns the ids of the rises that fit a condition.
func (s *Store) riseIDs(ctx context.Context, where string, args ...any) ([]int64, error) {
	var out []int64
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT id FROM rises WHERE "+where+" ORDER BY id", args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return err
			}
			out = append(out, id)
		}
		return rows.Err()
	})
	return out, err
}

// thinStored replaces the samples of an old rise by the few that a chart needs.
func (s *Store) thinStored(ctx context.Context, id int64) error {
	var all []Row
	for r, err := range s.Rows(ctx, id, time.Time{}, time.Time{}) {
		if err != nil {
			return err
		}
		all = append(all, r)
	}
	var kept []RiseRow
	if len(all) > 0 {
		span := all[len(all)-1].Time.Sub(all[0].Time)
		for _, r := range thin(all, 10+2*int(span/(5*time.Minute))) {
			kept = append(kept, RiseRow{id, r})
		}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM samples WHERE rise_id = ?", id); err != nil {
			return err
		}
		if err := insertRows(ctx, tx, kept); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "UPDATE rises SET thinned = 1 WHERE id = ?", id)
		return err
	})
}

// dropLetters removes old messages that are not waiting, unless their alarm is
// still alive: a sent letter keeps its alarm from being sent twice.
func (s *Store) dropLetters(ctx context.Context, before time.Time) (int64, error) {
	var n int64
	err := s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `DELETE FROM letters WHERE state <> 'waiting' AND created_ms < ?
 AND alarm_id NOT IN (SELECT id FROM alarms WHERE state <> 'resolved'
   OR rise_id IN (SELECT id FROM rises WHERE ended_ms IS NULL))`, before.UnixMilli())
		if err != nil {
			return err
		}
		n, err = res.RowsAffected()
		return err
	})
	return n, err
}

// RunMaintain calls Maintain once a day until ctx ends, the first time after an
// hour. A failure is logged and tried again the next day.
func (s *Store) RunMaintain(ctx context.Context, keep Retention) {
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		m, err := s.Maintain(ctx, keep)
		if err != nil && !errors.Is(err, context.Canceled) {
			s.opt.Log.Error("history: housekeeping failed", "error", err)
		} else if m != (Maintained{}) {
			s.opt.Log.Info("history: housekeeping", "rolled_up", m.RolledUp, "thinned", m.Thinned, "letters", m.Letters)
		}
		timer.Reset(24 * time.Hour)
	}
}
