package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark/alert"
)

var _ alert.Store = (*Store)(nil)

// upsertAlarm writes an alarm.
func upsertAlarm(ctx context.Context, tx *sql.Tx, a alert.Alarm) error {
	body, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("encode alarm %s: %w", a.ID, err)
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO alarms (id, rise_id, state, since_ms, body) VALUES (?,?,?,?,?)
 ON CONFLICT (id) DO UPDATE SET rise_id = excluded.rise_id, state = excluded.state, since_ms = excluded.since_ms, body = excluded.body`,
		a.ID, a.RiseID, string(a.State), a.Since.UnixMilli(), string(body))
	return err
}

const insertLetterSQL = `INSERT INTO letters (id, alarm_id, state, created_ms, not_before_ms, head, body) VALUES (?,?,?,?,?,?,?)
 ON CONFLICT (id) DO UPDATE SET alarm_id = excluded.alarm_id, state = excluded.state, created_ms = excluded.created_ms,
 not_before_ms = excluded.not_before_ms, head = excluded.head, body = excluded.body`

// letterValues are the columns of a letter. The body is kept apart from the
// head, because it may carry a picture.
func letterValues(l alert.Letter) ([]any, error) {
	body := l.Body
	l.Body = nil
	head, err := json.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("encode letter %s: %w", l.ID, err)
	}
	return []any{l.ID, l.AlarmID, l.State, l.CreatedAt.UnixMilli(), l.NotBefore.UnixMilli(), string(head), body}, nil
}

// upsertLetter writes a letter whatever was there.
func upsertLetter(ctx context.Context, tx *sql.Tx, l alert.Letter) error {
	v, err := letterValues(l)
	if err == nil {
		_, err = tx.ExecContext(ctx, insertLetterSQL, v...)
	}
	return err
}

// SaveAlarm implements alert.Store. A letter that was sent stays. When the disk
// refuses, alarm and letters are held in memory, are served as if stored, and
// the error is ErrMemoryOnly.
func (s *Store) SaveAlarm(ctx context.Context, a alert.Alarm, letters []alert.Letter) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		if err := upsertAlarm(ctx, tx, a); err != nil {
			return err
		}
		for _, l := range letters {
			if held, ok := get(&s.held, &s.held.letters, l.ID); ok && held.State == "sent" {
				continue
			}
			v, err := letterValues(l)
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, insertLetterSQL+" WHERE letters.state <> 'sent'", v...); err != nil {
				return err
			}
		}
		return nil
	})
	if isRefusal(err) {
		return errors.Join(s.holdAlarm(ctx, a, letters), memoryOnly(err))
	}
	if err == nil {
		drop(&s.held, &s.held.alarms, a.ID)
		for _, l := range letters {
			if held, ok := get(&s.held, &s.held.letters, l.ID); ok && held.State != "sent" {
				drop(&s.held, &s.held.letters, l.ID)
			}
		}
	}
	return err
}

// holdAlarm keeps what SaveAlarm could not write; wmu is held.
func (s *Store) holdAlarm(ctx context.Context, a alert.Alarm, letters []alert.Letter) error {
	put(&s.held, &s.held.alarms, a.ID, a)
	for _, l := range letters {
		old, err := s.letter(ctx, l.ID)
		if err != nil && !errors.Is(err, ErrNotFound) {
			return err
		}
		if old.State != "sent" {
			put(&s.held, &s.held.letters, l.ID, l)
		}
	}
	return nil
}

// OpenAlarms implements alert.Store.
func (s *Store) OpenAlarms(ctx context.Context) ([]alert.Alarm, error) {
	out, err := s.selectAlarms(ctx, `WHERE state <> 'resolved'
 OR rise_id IN (SELECT id FROM rises WHERE ended_ms IS NULL) ORDER BY since_ms, id`)
	if err != nil {
		return nil, err
	}
	open, err := s.OpenRises(ctx)
	if err != nil {
		return nil, err
	}
	wanted := func(a alert.Alarm) bool {
		return a.State != alert.Resolved || slices.ContainsFunc(open, func(r Rise) bool { return r.ID == a.RiseID })
	}
	return slices.DeleteFunc(s.overlayAlarms(out, wanted), func(a alert.Alarm) bool { return !wanted(a) }), nil
}

// Alarms returns all alarms of a rise, oldest first.
func (s *Store) Alarms(ctx context.Context, riseID int64) ([]alert.Alarm, error) {
	out, err := s.selectAlarms(ctx, "WHERE rise_id = ? ORDER BY since_ms, id", riseID)
	return s.overlayAlarms(out, func(a alert.Alarm) bool { return a.RiseID == riseID }), err
}

// overlayAlarms puts the held alarms into a list from the file.
func (s *Store) overlayAlarms(alarms []alert.Alarm, wanted func(alert.Alarm) bool) []alert.Alarm {
	for _, h := range list(&s.held, &s.held.alarms) {
		if i := slices.IndexFunc(alarms, func(a alert.Alarm) bool { return a.ID == h.ID }); i >= 0 {
			alarms[i] = h
		} else if wanted(h) {
			alarms = append(alarms, h)
		}
	}
	slices.SortStableFunc(alarms, func(a, b alert.Alarm) int { return a.Since.Compare(b.Since) })
	return alarms
}

// selectAlarms reads alarms.
func (s *Store) selectAlarms(ctx context.Context, where string, args ...any) ([]alert.Alarm, error) {
	var out []alert.Alarm
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT body FROM alarms "+where, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var body []byte
			if err := rows.Scan(&body); err != nil {
				return err
			}
			var a alert.Alarm
			if err := json.Unmarshal(body, &a); err != nil {
				return fmt.Errorf("read a stored alarm: %w", err)
			}
			out = append(out, a)
		}
		return rows.Err()
	})
	return out, err
}

// DueLetters implements alert.Store.
func (s *Store) DueLetters(ctx context.Context, now time.Time, limit int) ([]alert.Letter, error) {
	held := list(&s.held, &s.held.letters)
	out, err := s.selectLetters(ctx, "WHERE state = 'waiting' AND not_before_ms <= ? ORDER BY created_ms, id LIMIT ?",
		now.UnixMilli(), limit+len(held))
	if err != nil {
		return nil, err
	}
	for _, h := range held {
		out = slices.DeleteFunc(out, func(l alert.Letter) bool { return l.ID == h.ID })
		if h.State == "waiting" && !h.NotBefore.After(now) {
			out = append(out, h)
		}
	}
	slices.SortStableFunc(out, func(a, b alert.Letter) int { return a.CreatedAt.Compare(b.CreatedAt) })
	return out[:min(limit, len(out))], nil
}

// letter reads one letter.
func (s *Store) letter(ctx context.Context, id string) (alert.Letter, error) {
	if l, ok := get(&s.held, &s.held.letters, id); ok {
		return l, nil
	}
	out, err := s.selectLetters(ctx, "WHERE id = ?", id)
	if err != nil {
		return alert.Letter{}, err
	}
	if len(out) == 0 {
		return alert.Letter{}, fmt.Errorf("%w: letter %q", ErrNotFound, id)
	}
	return out[0], nil
}

// selectLetters reads letters.
func (s *Store) selectLetters(ctx context.Context, where string, args ...any) ([]alert.Letter, error) {
	var out []alert.Letter
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT head, body FROM letters "+where, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var head, body []byte
			if err := rows.Scan(&head, &body); err != nil {
				return err
			}
			var l alert.Letter
			if err := json.Unmarshal(head, &l); err != nil {
				return fmt.Errorf("read a stored letter: %w", err)
			}
			l.Body = body
			out = append(out, l)
		}
		return rows.Err()
	})
	return out, err
}

// SaveLetter implements alert.Store. When the disk refuses, the letter is held
// in memory and the error is ErrMemoryOnly.
func (s *Store) SaveLetter(ctx context.Context, l alert.Letter) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		withdrawn, err := isWithdrawn(ctx, tx, l.ID)
		if err != nil || (withdrawn && l.State == "waiting") {
			return err // taken back meanwhile: a late outcome does not revive it
		}
		return upsertLetter(ctx, tx, l)
	})
	if isRefusal(err) {
		if held, ok := get(&s.held, &s.held.letters, l.ID); ok && held.State == "withdrawn" && l.State == "waiting" {
			return memoryOnly(err)
		}
		put(&s.held, &s.held.letters, l.ID, l)
		return memoryOnly(err)
	}
	if err == nil {
		drop(&s.held, &s.held.letters, l.ID)
	}
	return err
}

// isWithdrawn reports whether a stored letter was taken back.
func isWithdrawn(ctx context.Context, tx *sql.Tx, id string) (bool, error) {
	var state string
	err := tx.QueryRowContext(ctx, "SELECT state FROM letters WHERE id = ?", id).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return state == "withdrawn", err
}

// WithdrawLetters implements alert.Store. When the disk refuses, the letters are
// held in memory as withdrawn and the error is ErrMemoryOnly.
func (s *Store) WithdrawLetters(ctx context.Context, alarmID string) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	for _, h := range list(&s.held, &s.held.letters) {
		if h.AlarmID == alarmID && h.State == "waiting" {
			h.State = "withdrawn"
			put(&s.held, &s.held.letters, h.ID, h)
		}
	}
	waiting, err := s.selectLetters(ctx, "WHERE alarm_id = ? AND state = 'waiting'", alarmID)
	if err != nil || len(waiting) == 0 {
		return err
	}
	for i := range waiting {
		waiting[i].State = "withdrawn"
	}
	err = s.writeLocked(ctx, func(tx *sql.Tx) error {
		for _, l := range waiting {
			if err := upsertLetter(ctx, tx, l); err != nil {
				return err
			}
		}
		return nil
	})
	if isRefusal(err) {
		for _, l := range waiting {
			if _, ok := get(&s.held, &s.held.letters, l.ID); !ok {
				put(&s.held, &s.held.letters, l.ID, l)
			}
		}
		return memoryOnly(err)
	}
	return err
}
