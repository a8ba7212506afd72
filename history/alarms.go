package history

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/bake"
)

var _ alert.Store = (*Store)(nil)

// alarms is how alarms are stored. One whose body cannot be read, in a spoiled file, has
// no ID.
func alarms() table[alert.Alarm] {
	return table[alert.Alarm]{name: "alarms", columns: "id, rise_id, state, since_ms, body", key: "id",
		fields: func(a *alert.Alarm) []any {
			return []any{&a.ID, &a.RiseID, (*string)(&a.State), stamp(&a.Since), jsonOf(a)} // the body, the last, is the whole alarm
		},
		id: func(a alert.Alarm) any { return a.ID }}
}

// notifications is how notifications are stored, their messages apart. One that cannot be
// read has no ID.
func notifications() table[alert.Notification] {
	return table[alert.Notification]{name: "notifications", columns: "id, alarm_id, state, created_ms, head, body", key: "id",
		fields: func(n *alert.Notification) []any {
			return []any{&n.ID, &n.AlarmID, &n.State, stamp(&n.CreatedAt), jsonOf(n), bytesOf(jsonOf(&n.Message))}
		},
		id: func(n alert.Notification) any { return n.ID }}
}

// SaveAlarms implements alert.Store. When the disk refuses, all is kept in memory and is
// served as if stored; Health tells.
func (s *Store) SaveAlarms(ctx context.Context, list []alert.Alarm, told []alert.Notification) error {
	var records []record
	for _, a := range list {
		records = append(records, alarms().record(a))
	}
	for _, n := range told {
		records = append(records, notifications().record(n))
	}
	return s.save(ctx, records...)
}

// OpenAlarms implements alert.Store.
func (s *Store) OpenAlarms(ctx context.Context) ([]alert.Alarm, error) {
	open, err := s.OpenRises(ctx)
	if err != nil {
		return nil, err
	}
	wanted := func(a alert.Alarm) bool {
		return a.State != alert.Resolved || slices.ContainsFunc(open, func(r bake.Rise) bool { return r.ID == a.RiseID })
	}
	out, err := s.selectAlarms(ctx, "WHERE state <> 'resolved' OR rise_id IN (SELECT id FROM rises WHERE ended_ms IS NULL)", wanted)
	return slices.DeleteFunc(out, func(a alert.Alarm) bool { return !wanted(a) }), err
}

// Alarms returns all alarms of a rise, oldest first.
func (s *Store) Alarms(ctx context.Context, riseID int64) ([]alert.Alarm, error) {
	return s.selectAlarms(ctx, "WHERE rise_id = ?", func(a alert.Alarm) bool { return a.RiseID == riseID }, riseID)
}

// selectAlarms reads alarms, oldest first. Those that cannot be read are left out:
// the others count.
func (s *Store) selectAlarms(ctx context.Context, clause string, wanted func(alert.Alarm) bool, args ...any) ([]alert.Alarm, error) {
	out, err := alarms().read(ctx, s, wanted, clause, args...)
	out = slices.DeleteFunc(out, func(a alert.Alarm) bool { return a.ID == "" })
	slices.SortFunc(out, func(a, b alert.Alarm) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	return out, err
}

// WaitingNotifications implements alert.Store.
func (s *Store) WaitingNotifications(ctx context.Context) ([]alert.Notification, error) {
	out, err := notifications().read(ctx, s, func(n alert.Notification) bool { return n.State == alert.Waiting }, "WHERE state = 'waiting'")
	out = slices.DeleteFunc(out, func(n alert.Notification) bool { return n.ID == "" }) // unreadable, in a spoiled file
	slices.SortFunc(out, alert.Notification.Compare)
	return out, err
}

// NotificationCounts returns the number of notifications kept, by state. One that waits for the disk counts by the
// state that is stored.
func (s *Store) NotificationCounts(ctx context.Context) (map[string]int, error) {
	out := map[string]int{}
	_, err := selectAll(ctx, s, func(scan scanner) (n int, err error) {
		var state string
		err = scan(&state, &n)
		out[state] = n
		return n, err
	}, "SELECT state, count(*) FROM notifications GROUP BY state")
	return out, err
}

// ClockStep is a part of the history whose times go along with a clock that was set:
// a rise with its samples, forecasts, events, photos, alarms and notifications. RiseID 0
// stands for the alarms and notifications that belong to no rise, and All for
// everything there is.
type ClockStep struct {
	RiseID int64
	All    bool
	alert.ClockStep
}

// StepClock moves all of it in one transaction: either every time has moved or
// none. Samples that are still waiting are moved too. What the disk refuses is done
// before anything else when it takes it again.
func (s *Store) StepClock(ctx context.Context, steps ...ClockStep) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	step := record{key: recordKey{"", time.Now().UnixNano()}, write: func(ctx context.Context, tx *sql.Tx) error {
		for _, step := range steps {
			if err := step.apply(ctx, tx); err != nil {
				return fmt.Errorf("rise %d: %w", step.RiseID, err)
			}
		}
		return nil
	}}
	if err := s.saveLocked(ctx, step); err != nil {
		return fmt.Errorf("move the times: %w", err)
	}
	return nil
}

// apply moves what one step takes along. The times of alarms and notifications are
// within their JSON.
func (c ClockStep) apply(ctx context.Context, tx *sql.Tx) error {
	lo, hi := bounds(c.From, c.Before)
	args := []any{sql.Named("id", c.RiseID), sql.Named("all", c.All), sql.Named("by", c.By.Milliseconds()), sql.Named("from", lo), sql.Named("before", hi)}
	if _, err := tx.ExecContext(ctx, script("schema/clockstep.sql"), args...); err != nil {
		return err
	}
	told, err := selectIn(ctx, tx, notifications().scan, "SELECT "+notifications().columns+` FROM notifications
 WHERE created_ms >= :from AND created_ms < :before AND (:all OR alarm_id IN (SELECT id FROM alarms WHERE rise_id = :id))`, args...)
	if err != nil {
		return err
	}
	raised, err := selectIn(ctx, tx, alarms().scan, "SELECT "+alarms().columns+" FROM alarms WHERE :all OR rise_id = :id", args...)
	if err != nil {
		return err
	}
	var moved []record
	for _, n := range told {
		if n.ID != "" {
			moved = append(moved, notifications().record(c.Notification(n)))
		}
	}
	for _, a := range raised {
		if m := c.Alarm(a); m != a {
			moved = append(moved, alarms().record(m))
		}
	}
	return writeAll(ctx, tx, moved)
}
