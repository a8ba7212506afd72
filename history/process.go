package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
)

// upsertProcess writes the steps of a rise.
func upsertProcess(ctx context.Context, tx *sql.Tx, riseID int64, body []byte) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO processes (rise_id, body) VALUES (?,?) ON CONFLICT (rise_id) DO UPDATE SET body = excluded.body",
		riseID, body)
	return err
}

// SaveProcess stores the steps of a rise as the caller encodes them. When the
// disk refuses, they are held in memory and Health tells.
func (s *Store) SaveProcess(ctx context.Context, riseID int64, body []byte) error {
	if riseID <= 0 || body == nil {
		return fmt.Errorf("history: a process needs a rise and a body, got id %d and %d bytes", riseID, len(body))
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, func(tx *sql.Tx) error { return upsertProcess(ctx, tx, riseID, body) })
	if isRefusal(err) {
		put(&s.held, &s.held.processes, riseID, slices.Clone(body))
		return nil
	}
	if err == nil {
		drop(&s.held, &s.held.processes, riseID)
	}
	return err
}

// Process returns what SaveProcess stored, or ErrNotFound.
func (s *Store) Process(ctx context.Context, riseID int64) ([]byte, error) {
	if b, ok := get(&s.held, &s.held.processes, riseID); ok {
		return slices.Clone(b), nil
	}
	var body []byte
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT body FROM processes WHERE rise_id = ?", riseID).Scan(&body)
	})
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("%w: no process of rise %d", ErrNotFound, riseID)
	}
	return body, err
}
