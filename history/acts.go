package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

// upsertAct writes an act.
func upsertAct(ctx context.Context, tx *sql.Tx, a Act) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO acts (id, rise_id, at_ms, kind, by_whom, data, undone)
 VALUES (?,?,?,?,?,?,?) ON CONFLICT (id) DO UPDATE SET undone = excluded.undone`,
		a.ID, a.RiseID, a.At.UnixMilli(), a.Kind, a.By, text(string(a.Data)), a.Undone)
	return err
}

// UndoAct marks an act as undone and returns it. An act that is undone already
// is an error, so that a second tap does nothing twice.
func (s *Store) UndoAct(ctx context.Context, id int64) (Act, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	a, err := s.Act(ctx, id)
	if err != nil {
		return Act{}, err
	}
	if a.Undone {
		return Act{}, fmt.Errorf("history: act %d (%s) is undone already", id, a.Kind)
	}
	a.Undone = true
	err = s.writeLocked(ctx, func(tx *sql.Tx) error { return upsertAct(ctx, tx, a) })
	if isRefusal(err) {
		put(&s.held, &s.held.acts, a.ID, a)
		return a, nil
	}
	if err == nil {
		drop(&s.held, &s.held.acts, a.ID)
	}
	return a, err
}

const actColumns = "id, rise_id, at_ms, kind, by_whom, data, undone"

// scanAct reads one line with actColumns.
func scanAct(scan func(dest ...any) error) (Act, error) {
	var a Act
	var at sql.NullInt64
	var data sql.NullString
	err := scan(&a.ID, &a.RiseID, &at, &a.Kind, &a.By, &data, &a.Undone)
	a.At = fromMS(at)
	if data.Valid {
		a.Data = json.RawMessage(data.String)
	}
	return a, err
}

// Act returns one act, or ErrNotFound.
func (s *Store) Act(ctx context.Context, id int64) (Act, error) {
	if a, ok := get(&s.held, &s.held.acts, id); ok {
		return a, nil
	}
	var a Act
	err := s.query(func(db *sql.DB) (err error) {
		a, err = scanAct(db.QueryRowContext(ctx, "SELECT "+actColumns+" FROM acts WHERE id = ?", id).Scan)
		return err
	})
	if errors.Is(err, sql.ErrNoRows) {
		return Act{}, fmt.Errorf("%w: act %d", ErrNotFound, id)
	}
	return a, err
}

// Acts returns what was done to a rise, in order of time, the undone included.
func (s *Store) Acts(ctx context.Context, riseID int64) ([]Act, error) {
	var out []Act
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT "+actColumns+" FROM acts WHERE rise_id = ? ORDER BY at_ms, id", riseID)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			a, err := scanAct(rows.Scan)
			if err != nil {
				return err
			}
			out = append(out, a)
		}
		return rows.Err()
	})
	if err != nil {
		return nil, err
	}
	for _, h := range list(&s.held, &s.held.acts) {
		if h.RiseID != riseID {
			continue
		}
		if i := slices.IndexFunc(out, func(a Act) bool { return a.ID == h.ID }); i >= 0 {
			out[i] = h
		} else {
			out = append(out, h)
		}
	}
	return out, nil
}
