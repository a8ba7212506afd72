package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"tidemark/alert"
)

// Move is a part of the history whose times go along with a clock that was set:
// a rise with its samples, forecasts, acts, photos, alarms and letters. RiseID 0
// stands for the alarms and letters that belong to no rise, and All for
// everything there is.
type Move struct {
	RiseID int64
	All    bool
	alert.Move
}

// ShiftTimes moves all of it in one transaction: either every time has moved or
// none. Samples that are still waiting are moved too.
func (s *Store) ShiftTimes(ctx context.Context, moves ...Move) error {
	if err := s.Flush(ctx); err != nil {
		return fmt.Errorf("move the times: %w", err)
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, m := range moves {
			if err := m.rises(ctx, tx); err != nil {
				return fmt.Errorf("move the times of rise %d: %w", m.RiseID, err)
			}
			if err := m.letters(ctx, tx); err != nil {
				return fmt.Errorf("move the letters of rise %d: %w", m.RiseID, err)
			}
			if err := m.alarms(ctx, tx); err != nil {
				return fmt.Errorf("move the alarms of rise %d: %w", m.RiseID, err)
			}
		}
		return nil
	})
}

// args are the bounds of a move.
func (m Move) args() []any {
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
func (m Move) rises(ctx context.Context, tx *sql.Tx) error {
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

// shiftStatements move the times of rises. Samples and forecasts go through a
// temporary table: moved in place, a row could meet one not yet moved.
func shiftStatements() []string {
	in := func(key string) string { return key + " >= :from AND " + key + " < :before" }
	var out []string
	move := func(table, key string, more ...string) {
		where := " WHERE (:all OR rise_id = :id) AND " + in(key)
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
	out = append(out, "CREATE TEMP TABLE moved AS SELECT DISTINCT rise_id FROM samples WHERE (:all OR rise_id = :id) AND "+in("t_ms"),
		"DELETE FROM rollups WHERE rise_id IN (SELECT rise_id FROM moved)",
		"UPDATE rises SET rolled = 0 WHERE id IN (SELECT rise_id FROM moved)",
		"DROP TABLE moved")
	move("samples", "t_ms")
	move("forecasts", "at_ms", "from_ms", "median_ms", "until_ms")
	for _, c := range []string{"started_ms", "ended_ms", "reached_ms", "peak_ms", "phase_since_ms"} {
		out = append(out, "UPDATE rises SET "+c+" = "+c+" + :by WHERE (:all OR id = :id) AND "+in(c))
	}
	for _, table := range []string{"acts", "photos"} {
		out = append(out, "UPDATE "+table+" SET at_ms = at_ms + :by WHERE (:all OR rise_id = :id) AND "+in("at_ms"))
	}
	return out
}

// alarms moves the alarms: their times are within their JSON.
func (m Move) alarms(ctx context.Context, tx *sql.Tx) error {
	bodies, err := texts(ctx, tx, "SELECT body FROM alarms WHERE :all OR rise_id = :id", m.args())
	if err != nil {
		return err
	}
	for _, body := range bodies {
		var a alert.Alarm
		if err := json.Unmarshal([]byte(body[0]), &a); err != nil {
			return fmt.Errorf("read a stored alarm: %w", err)
		}
		if moved := m.Alarm(a); moved != a {
			if err := upsertAlarm(ctx, tx, moved); err != nil {
				return err
			}
		}
	}
	return nil
}

// letters moves the letters written in the time that moves.
func (m Move) letters(ctx context.Context, tx *sql.Tx) error {
	parts, err := texts(ctx, tx, `SELECT head, body FROM letters WHERE created_ms >= :from AND created_ms < :before
 AND (:all OR alarm_id IN (SELECT id FROM alarms WHERE rise_id = :id))`, m.args())
	if err != nil {
		return err
	}
	for _, p := range parts {
		var l alert.Letter
		if err := json.Unmarshal([]byte(p[0]), &l); err != nil {
			return fmt.Errorf("read a stored letter: %w", err)
		}
		l.Body = []byte(p[1])
		if err := upsertLetter(ctx, tx, m.Letter(l)); err != nil {
			return err
		}
	}
	return nil
}

// texts reads one or two columns of text of every row.
func texts(ctx context.Context, tx *sql.Tx, query string, args []any) ([][2]string, error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	var out [][2]string
	for rows.Next() {
		var a, b sql.NullString
		to := []any{&a, &b}
		if err := rows.Scan(to[:len(columns)]...); err != nil {
			return nil, err
		}
		out = append(out, [2]string{a.String, b.String})
	}
	return out, rows.Err()
}
