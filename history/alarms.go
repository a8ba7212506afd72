package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"tidemark/alert"
)

var _ alert.Store = (*Store)(nil)

// alarmRecord stores an alarm.
func alarmRecord(a alert.Alarm) record {
	return record{alarmKey(a.ID), a, func(ctx context.Context, tx *sql.Tx) error {
		body, err := json.Marshal(a)
		if err != nil {
			return fmt.Errorf("encode alarm %s: %w", a.ID, err)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO alarms (id, rise_id, state, since_ms, body) VALUES (?,?,?,?,?)
 ON CONFLICT (id) DO UPDATE SET rise_id = excluded.rise_id, state = excluded.state, since_ms = excluded.since_ms, body = excluded.body`,
			a.ID, a.RiseID, string(a.State), a.Since.UnixMilli(), string(body))
		return err
	}}
}

// notificationSQL writes a notification. One that was sent stays as it is, and one
// that was withdrawn does not go back to waiting: a late outcome does not revive it.
const notificationSQL = `INSERT INTO notifications (id, alarm_id, state, created_ms, not_before_ms, head, body) VALUES (?,?,?,?,?,?,?)
 ON CONFLICT (id) DO UPDATE SET alarm_id = excluded.alarm_id, state = excluded.state, created_ms = excluded.created_ms,
 not_before_ms = excluded.not_before_ms, head = excluded.head, body = excluded.body`

// notificationRecord stores a notification unless it stands in the file in a state
// that must stay. The body is kept apart from the head, because it may carry a picture.
func notificationRecord(l alert.Notification, unless string) record {
	return record{notificationKey(l.ID), l, func(ctx context.Context, tx *sql.Tx) error {
		head := l
		head.Body = nil
		text, err := json.Marshal(head)
		if err != nil {
			return fmt.Errorf("encode notification %s: %w", l.ID, err)
		}
		query := notificationSQL
		if unless != "" {
			query += " WHERE notifications.state <> '" + unless + "'"
		}
		_, err = tx.ExecContext(ctx, query, l.ID, l.AlarmID, l.State, l.CreatedAt.UnixMilli(), l.CreatedAt.UnixMilli(), string(text), l.Body)
		return err
	}}
}

// waitingState is the state of a notification that waits for the disk.
func (s *Store) waitingState(id string) string {
	for _, l := range waiting[alert.Notification](&s.pending) {
		if l.ID == id {
			return l.State
		}
	}
	return ""
}

// SaveAlarm implements alert.Store. A notification that was sent stays. When the
// disk refuses, all is held in memory, is served as if stored, and the error is
// ErrMemoryOnly.
func (s *Store) SaveAlarm(ctx context.Context, a alert.Alarm, notifications []alert.Notification) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	records := []record{alarmRecord(a)}
	for _, l := range notifications {
		stored, err := selectAll(ctx, s, scanText, "SELECT state FROM notifications WHERE id = ?", l.ID)
		if err != nil {
			return err
		}
		if s.waitingState(l.ID) != alert.Sent && !slices.Contains(stored, alert.Sent) {
			records = append(records, notificationRecord(l, alert.Sent))
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
		return a.State != alert.Resolved || slices.ContainsFunc(open, func(r Rise) bool { return r.ID == a.RiseID })
	}
	out, err := s.selectAlarms(ctx, "WHERE state <> 'resolved' OR rise_id IN (SELECT id FROM rises WHERE ended_ms IS NULL)", wanted)
	return slices.DeleteFunc(out, func(a alert.Alarm) bool { return !wanted(a) }), err
}

// Alarms returns all alarms of a rise, oldest first.
func (s *Store) Alarms(ctx context.Context, riseID int64) ([]alert.Alarm, error) {
	return s.selectAlarms(ctx, "WHERE rise_id = ?", func(a alert.Alarm) bool { return a.RiseID == riseID }, riseID)
}

// selectAlarms reads alarms, oldest first. One that cannot be read, in a spoiled
// file, is left out: the others count.
func (s *Store) selectAlarms(ctx context.Context, where string, wanted func(alert.Alarm) bool, args ...any) ([]alert.Alarm, error) {
	bodies, err := selectAll(ctx, s, scanText, "SELECT body FROM alarms "+where, args...)
	if err != nil {
		return nil, err
	}
	var out []alert.Alarm
	for _, body := range bodies {
		var a alert.Alarm
		if err := json.Unmarshal([]byte(body), &a); err != nil {
			s.opt.Log.Error("history: a stored alarm cannot be read", "error", err)
			continue
		}
		out = append(out, a)
	}
	out = overlay(&s.pending, out, func(a alert.Alarm) string { return a.ID }, wanted)
	slices.SortFunc(out, func(a, b alert.Alarm) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	return out, nil
}

// WaitingNotifications implements alert.Store.
func (s *Store) WaitingNotifications(ctx context.Context) ([]alert.Notification, error) {
	return s.selectNotifications(ctx, "WHERE state = 'waiting'", func(l alert.Notification) bool { return l.State == alert.Waiting })
}

// selectNotifications reads notifications, oldest first.
func (s *Store) selectNotifications(ctx context.Context, where string, wanted func(alert.Notification) bool, args ...any) ([]alert.Notification, error) {
	out, err := selectAll(ctx, s, func(scan scanner) (alert.Notification, error) {
		var head, body []byte
		if err := scan(&head, &body); err != nil {
			return alert.Notification{}, err
		}
		var l alert.Notification
		if err := json.Unmarshal(head, &l); err != nil {
			s.opt.Log.Error("history: a stored notification cannot be read", "error", err)
		}
		l.Body = body
		return l, nil
	}, "SELECT head, body FROM notifications "+where, args...)
	out = slices.DeleteFunc(out, func(l alert.Notification) bool { return l.ID == "" })
	out = overlay(&s.pending, out, func(l alert.Notification) string { return l.ID }, wanted)
	slices.SortFunc(out, alert.Notification.Compare)
	return out, err
}

// SaveNotification implements alert.Store. When the disk refuses, the notification is
// held in memory and the error is ErrMemoryOnly.
func (s *Store) SaveNotification(ctx context.Context, n alert.Notification) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	stored, err := s.selectNotifications(ctx, "WHERE id = ?", func(l alert.Notification) bool { return l.ID == n.ID }, n.ID)
	if err != nil || len(stored) == 0 {
		return err
	}
	n, unless := stored[0].WithOutcome(n), ""
	if n.State == alert.Waiting {
		unless = alert.Withdrawn // by another process, just now
	}
	return s.saveLocked(ctx, notificationRecord(n, unless))
}

// NotificationCounts implements alert.Store.
func (s *Store) NotificationCounts(ctx context.Context) (map[string]int, error) {
	type state struct{ id, state string }
	states, err := selectAll(ctx, s, func(scan scanner) (l state, err error) {
		err = scan(&l.id, &l.state)
		return l, err
	}, "SELECT id, state FROM notifications")
	if err != nil {
		return nil, err
	}
	of := map[string]string{}
	for _, l := range states {
		of[l.id] = l.state
	}
	for _, l := range waiting[alert.Notification](&s.pending) {
		of[l.ID] = l.State
	}
	out := map[string]int{}
	for _, state := range of {
		out[state]++
	}
	return out, nil
}
