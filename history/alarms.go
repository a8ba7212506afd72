package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"tidemark/alert"
	"tidemark/bake"
)

var _ alert.Store = (*Store)(nil)

// alarmRecord stores an alarm.
func alarmRecord(a alert.Alarm) record {
	return record{alarmKey(a.ID), a, func(ctx context.Context, tx *sql.Tx) error {
		body, err := json.Marshal(a)
		if err != nil {
			return fmt.Errorf("encode alarm %s: %w", a.ID, err)
		}
		_, err = tx.ExecContext(ctx, upsertSQL("alarms", "id", "id, rise_id, state, since_ms, body", "id"),
			a.ID, a.RiseID, string(a.State), a.Since.UnixMilli(), string(body))
		return err
	}}
}

// notificationRecord stores a notification unless it stands in the file in a state
// that must stay: one that was sent stays as it is, and one that was withdrawn does
// not go back to waiting. The message is kept apart from the head.
func notificationRecord(n alert.Notification, unless string) record {
	return record{notificationKey(n.ID), n, func(ctx context.Context, tx *sql.Tx) error {
		head, err := json.Marshal(n)
		body, err2 := json.Marshal(n.Message)
		if err = cmp.Or(err, err2); err != nil {
			return fmt.Errorf("encode notification %s: %w", n.ID, err)
		}
		_, err = tx.ExecContext(ctx, upsertSQL("notifications", "id", "id, alarm_id, state, created_ms, head, body", "id")+
			" WHERE notifications.state <> ?", n.ID, n.AlarmID, n.State, n.CreatedAt.UnixMilli(), string(head), body, unless)
		return err
	}}
}

// notification returns a notification as it is stored or waits; nil when it is not
// known.
func (s *Store) notification(ctx context.Context, id string) (*alert.Notification, error) {
	out, err := s.selectNotifications(ctx, "WHERE id = ?", func(n alert.Notification) bool { return n.ID == id }, id)
	if err != nil || len(out) == 0 {
		return nil, err
	}
	return &out[0], nil
}

// SaveAlarm implements alert.Store. A notification that was sent stays. When the
// disk refuses, all is kept in memory and is served as if stored; Health tells.
func (s *Store) SaveAlarm(ctx context.Context, a alert.Alarm, notifications []alert.Notification) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	records := []record{alarmRecord(a)}
	for _, n := range notifications {
		stored, err := s.notification(ctx, n.ID)
		if err != nil {
			return err
		}
		if stored == nil || stored.State != alert.Sent {
			records = append(records, notificationRecord(n, alert.Sent))
		}
	}
	return s.saveLocked(ctx, records...)
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

// scanAlarm reads the body of an alarm. One that cannot be read, in a spoiled file,
// has no ID.
func scanAlarm(scan scanner) (a alert.Alarm, err error) {
	var body string
	if err = scan(&body); err == nil && json.Unmarshal([]byte(body), &a) != nil {
		a = alert.Alarm{}
	}
	return a, err
}

// selectAlarms reads alarms, oldest first. Those that cannot be read are left out:
// the others count.
func (s *Store) selectAlarms(ctx context.Context, where string, wanted func(alert.Alarm) bool, args ...any) ([]alert.Alarm, error) {
	out, err := selectAll(ctx, s, scanAlarm, "SELECT body FROM alarms "+where, args...)
	out = slices.DeleteFunc(out, func(a alert.Alarm) bool { return a.ID == "" })
	out = overlay(&s.pending, out, func(a alert.Alarm) string { return a.ID }, wanted)
	slices.SortFunc(out, func(a, b alert.Alarm) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	return out, err
}

// WaitingNotifications implements alert.Store.
func (s *Store) WaitingNotifications(ctx context.Context) ([]alert.Notification, error) {
	return s.selectNotifications(ctx, "WHERE state = 'waiting'", func(l alert.Notification) bool { return l.State == alert.Waiting })
}

// scanNotification reads head and message of a notification. What cannot be read, in a
// spoiled file, has no ID.
func scanNotification(scan scanner) (n alert.Notification, err error) {
	var head string
	var body []byte
	if err = scan(&head, &body); err == nil && json.Unmarshal([]byte(head), &n) != nil {
		n = alert.Notification{}
	}
	if json.Unmarshal(body, &n.Message) != nil {
		n.Message = alert.Message{}
	}
	return n, err
}

// selectNotifications reads notifications, oldest first. Those that cannot be read are
// left out.
func (s *Store) selectNotifications(ctx context.Context, where string, wanted func(alert.Notification) bool, args ...any) ([]alert.Notification, error) {
	out, err := selectAll(ctx, s, scanNotification, "SELECT head, body FROM notifications "+where, args...)
	out = slices.DeleteFunc(out, func(n alert.Notification) bool { return n.ID == "" })
	out = overlay(&s.pending, out, func(n alert.Notification) string { return n.ID }, wanted)
	slices.SortFunc(out, alert.Notification.Compare)
	return out, err
}

// SaveNotification implements alert.Store. When the disk refuses, the notification is
// kept in memory; Health tells.
func (s *Store) SaveNotification(ctx context.Context, n alert.Notification) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	stored, err := s.notification(ctx, n.ID)
	if err != nil || stored == nil {
		return err
	}
	n, unless := stored.WithOutcome(n), ""
	if n.State == alert.Waiting {
		unless = alert.Withdrawn // by another process, just now
	}
	return s.saveLocked(ctx, notificationRecord(n, unless))
}

// NotificationCounts implements alert.Store.
func (s *Store) NotificationCounts(ctx context.Context) (map[string]int, error) {
	all, err := selectAll(ctx, s, func(scan scanner) (n alert.Notification, err error) {
		err = scan(&n.ID, &n.State)
		return n, err
	}, "SELECT id, state FROM notifications")
	out := map[string]int{}
	for _, n := range overlay(&s.pending, all, func(n alert.Notification) string { return n.ID }, func(alert.Notification) bool { return true }) {
		out[n.State]++
	}
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
// none. Samples that are still waiting are moved too.
func (s *Store) StepClock(ctx context.Context, steps ...ClockStep) error {
	err := s.Flush(ctx)
	if err == nil {
		err = s.write(ctx, func(tx *sql.Tx) error {
			for _, step := range steps {
				if err := step.apply(ctx, tx); err != nil {
					return fmt.Errorf("rise %d: %w", step.RiseID, err)
				}
			}
			return nil
		})
	}
	if err != nil {
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
	notifications, err := selectIn(ctx, tx, scanNotification, `SELECT head, body FROM notifications
 WHERE created_ms >= :from AND created_ms < :before AND (:all OR alarm_id IN (SELECT id FROM alarms WHERE rise_id = :id))`, args...)
	if err != nil {
		return err
	}
	alarms, err := selectIn(ctx, tx, scanAlarm, "SELECT body FROM alarms WHERE :all OR rise_id = :id", args...)
	if err != nil {
		return err
	}
	var moved []record
	for _, n := range notifications {
		if n.ID != "" {
			moved = append(moved, notificationRecord(c.Notification(n), ""))
		}
	}
	for _, a := range alarms {
		if m := c.Alarm(a); m != a {
			moved = append(moved, alarmRecord(m))
		}
	}
	return writeAll(ctx, tx, moved)
}
