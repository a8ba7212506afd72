package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// AddPhoto stores a picture of a rise and returns its id.
func (s *Store) AddPhoto(ctx context.Context, p Photo) (int64, error) {
	if p.RiseID <= 0 || p.Type == "" || len(p.Bytes) == 0 || p.At.IsZero() {
		return 0, fmt.Errorf("history: a photo needs a rise, a time, a type and bytes, got rise %d, type %q, %d bytes", p.RiseID, p.Type, len(p.Bytes))
	}
	var id int64
	err := s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "INSERT INTO photos (rise_id, at_ms, type, bytes) VALUES (?,?,?,?)",
			p.RiseID, p.At.UnixMilli(), p.Type, p.Bytes)
		if err != nil {
			return err
		}
		id, err = res.LastInsertId()
		return err
	})
	return id, err
}

// Photo returns one picture with its bytes, or ErrNotFound.
func (s *Store) Photo(ctx context.Context, id int64) (Photo, error) {
	p := Photo{ID: id}
	var at sql.NullInt64
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT rise_id, at_ms, type, bytes, length(bytes) FROM photos WHERE id = ?", id).
			Scan(&p.RiseID, &at, &p.Type, &p.Bytes, &p.Size)
	})
	if errors.Is(err, sql.ErrNoRows) {
		return Photo{}, fmt.Errorf("%w: photo %d", ErrNotFound, id)
	}
	p.At = fromMS(at)
	return p, err
}

// Photos lists the pictures of a rise without their bytes, oldest first.
func (s *Store) Photos(ctx context.Context, riseID int64) ([]Photo, error) {
	var out []Photo
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT id, at_ms, type, length(bytes) FROM photos WHERE rise_id = ? ORDER BY id", riseID)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			p := Photo{RiseID: riseID}
			var at sql.NullInt64
			if err := rows.Scan(&p.ID, &at, &p.Type, &p.Size); err != nil {
				return err
			}
			p.At = fromMS(at)
			out = append(out, p)
		}
		return rows.Err()
	})
	return out, err
}

// DeletePhoto removes a picture. One that does not exist is no error.
func (s *Store) DeletePhoto(ctx context.Context, id int64) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM photos WHERE id = ?", id)
		return err
	})
}
