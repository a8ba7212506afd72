package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"tidemark/alert"
)

// ClockStep is a part of the history whose times go along with a clock that was set:
// a rise with its samples, forecasts, events, photos, alarms and notifications. RiseID 0
// stands for the alarms and notifications that belong to no rise, and All for
// everything there is.
type ClockStep struct {
	RiseID int64
	All    bool
	alert.ClockStep
}

// ShiftTimes moves all of it in one transaction: either every time has moved or
// none. Samples that are still waiting are moved too.
func (s *Store) ShiftTimes(ctx context.Context, moves ...ClockStep) error {
	if err := s.Flush(ctx); err != nil {
		return fmt.Errorf("move the times: %w", err)
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, m := range moves {
			if err := m.rises(ctx, tx); err != nil {
				return fmt.Errorf("move the times of rise %d: %w", m.RiseID, err)
			}
			if err := m.notifications(ctx, tx); err != nil {
				return fmt.Errorf("move the notifications of rise %d: %w", m.RiseID, err)
			}
			if err := m.alarms(ctx, tx); err != nil {
				return fmt.Errorf("move the alarms of rise %d: %w", m.RiseID, err)
			}
		}
		return nil
	})
}

// args are the bounds of a move.
func (m ClockStep) args() []any {
	from, before := int64(-1<<62), int64(1<<62)
	if !m.From.IsZero() {
		from = m.From.UnixMilli()
	}
	if !m.Before.IsZero() {
		before = m.Before.UnixMilli()
	}
	return []any{sql.Named("id", m.RiseID), sql.Named("all", m.All), sql.Named("by", m.By.Milliseconds()),
		sql.Named("from", from), sql.Named("before", before)}
}

// rises moves the rises and all that hangs on them but alarms.
func (m ClockStep) rises(ctx context.Context, tx *sql.Tx) error {
	if m.RiseID == 0 && !m.All {
		return nil
	}
	for _, q := range shiftStatements() {
		if _, err := tx.ExecContext(ctx, q, m.args()...); err != nil {
			return err
		}
	}
	return nil
}

// shiftStatements move the times of rises. Keys that are times go through their
// negative: moved in place, a row could meet one not yet moved.
func shiftStatements() []string {
	in := func(key string) string { return key + " >= :from AND " + key + " < :before" }
	var out []string
	for table, more := range map[string]string{"samples": "", "forecasts": ", p10_ms = p10_ms + :by, median_ms = median_ms + :by, p90_ms = p90_ms + :by"} {
		key := "t_ms"
		if table == "forecasts" {
			key = "at_ms"
		}
		out = append(out, "UPDATE "+table+" SET "+key+" = -"+key+more+" WHERE (:all OR rise_id = :id) AND "+in(key),
			"UPDATE OR REPLACE "+table+" SET "+key+" = :by - "+key+" WHERE (:all OR rise_id = :id) AND "+key+" < 0")
	}
	for _, c := range []string{"started_ms", "ended_ms", "reached_ms", "peak_ms", "phase_since_ms"} {
		out = append(out, "UPDATE rises SET "+c+" = "+c+" + :by WHERE (:all OR id = :id) AND "+in(c))
	}
	for _, table := range []string{"events", "photos"} {
		out = append(out, "UPDATE "+table+" SET at_ms = at_ms + :by WHERE (:all OR rise_id = :id) AND "+in("at_ms"))
	}
	return append(out, "UPDATE events SET recorded_ms = recorded_ms + :by WHERE (:all OR rise_id = :id) AND "+in("recorded_ms"))
}

// alarms moves the alarms: their times are within their JSON.
func (m ClockStep) alarms(ctx context.Context, tx *sql.Tx) error {
	bodies, err := selectIn(ctx, tx, scanText, "SELECT body FROM alarms WHERE :all OR rise_id = :id", m.args()...)
	if err != nil {
		return err
	}
	for _, body := range bodies {
		var a alert.Alarm
		if err := json.Unmarshal([]byte(body), &a); err != nil {
			continue // a spoiled one has no times to move
		}
		if moved := m.Alarm(a); moved != a {
			if err := alarmRecord(moved).write(ctx, tx); err != nil {
				return err
			}
		}
	}
	return nil
}

// notifications moves the notifications written in the time that moves.
func (m ClockStep) notifications(ctx context.Context, tx *sql.Tx) error {
	notifications, err := selectIn(ctx, tx, func(scan scanner) (l alert.Notification, err error) {
		var head, body []byte
		if err = scan(&head, &body); err == nil && json.Unmarshal(head, &l) != nil {
			l = alert.Notification{}
		}
		l.Body = body
		return l, err
	}, `SELECT head, body FROM notifications WHERE created_ms >= :from AND created_ms < :before
 AND (:all OR alarm_id IN (SELECT id FROM alarms WHERE rise_id = :id))`, m.args()...)
	if err != nil {
		return err
	}
	for _, l := range notifications {
		if l.ID == "" {
			continue // a spoiled one has no times to move
		}
		if err := notificationRecord(m.Notification(l), "").write(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}
