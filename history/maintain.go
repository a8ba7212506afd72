package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Retention says how long what is kept. Rises, events and judgements stay for good.
type Retention struct {
	// Samples is how long a rise keeps all its samples after its end. Later it
	// keeps about two in five minutes, the lowest and the highest. 0 means 400 days.
	Samples time.Duration
	// Notifications is how long messages that were sent, failed or withdrawn are kept.
	// 0 means 60 days.
	Notifications time.Duration
}

// Maintained says what a pass did.
type Maintained struct {
	Thinned       int   // rises whose samples were thinned
	Notifications int64 // messages removed
}

// Maintain does the housekeeping: call it once a day. It works in small
// transactions, so the watch is never held up for long, and stops when ctx ends.
func (s *Store) Maintain(ctx context.Context, keep Retention) (Maintained, error) {
	if keep.Samples <= 0 {
		keep.Samples = 400 * 24 * time.Hour
	}
	if keep.Notifications <= 0 {
		keep.Notifications = 60 * 24 * time.Hour
	}
	var m Maintained
	// What waits must not come after, and a disk that refuses it has no room to work in.
	if err := s.Flush(ctx); err != nil {
		return m, err
	}
	now := s.opt.Now()
	ids, err := selectAll(ctx, s, scanInt, "SELECT id FROM rises WHERE thinned = 0 AND ended_ms < ? ORDER BY id", now.Add(-keep.Samples).UnixMilli())
	if err != nil {
		return m, err
	}
	for _, id := range ids {
		if err := s.thinStored(ctx, id); err != nil {
			return m, fmt.Errorf("thin the samples of rise %d: %w", id, err)
		}
		m.Thinned++
	}
	m.Notifications, err = s.dropNotifications(ctx, now.Add(-keep.Notifications))
	return m, err
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

// dropNotifications removes old messages that are not waiting, unless their alarm is
// still alive: a sent notification keeps its alarm from being sent twice.
func (s *Store) dropNotifications(ctx context.Context, before time.Time) (int64, error) {
	var n int64
	err := s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `DELETE FROM notifications WHERE state <> 'waiting' AND created_ms < ?
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
			s.opt.Log.Info("history: housekeeping", "thinned", m.Thinned, "notifications", m.Notifications)
		}
		timer.Reset(24 * time.Hour)
	}
}
