package history

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Photo is a picture of a result. The store takes it as it is: type and size
// are checked and metadata is stripped by the caller.
type Photo struct {
	ID     int64
	RiseID int64
	At     time.Time
	Type   string // media type, e.g. "image/jpeg"
	Bytes  []byte // nil in lists
	Size   int64  // bytes
}

// AddPhoto stores a picture of a rise and returns its id.
func (s *Store) AddPhoto(ctx context.Context, p Photo) (int64, error) {
	if p.RiseID <= 0 || p.Type == "" || len(p.Bytes) == 0 || p.At.IsZero() {
		return 0, fmt.Errorf("history: a photo needs a rise, a time, a type and bytes, got rise %d, type %q, %d bytes", p.RiseID, p.Type, len(p.Bytes))
	}
	return s.insert(ctx, "photos", "INSERT INTO photos (rise_id, at_ms, type, bytes) VALUES (?,?,?,?)",
		[]any{p.RiseID, p.At.UnixMilli(), p.Type, p.Bytes}, nil)
}

// scanPhoto reads a picture.
func scanPhoto(scan scanner) (Photo, error) {
	var p Photo
	var at sql.NullInt64
	err := scan(&p.ID, &p.RiseID, &at, &p.Type, &p.Size, &p.Bytes)
	p.At = fromMS(at)
	return p, err
}

// Photo returns one picture with its bytes, or ErrNotFound.
func (s *Store) Photo(ctx context.Context, id int64) (Photo, error) {
	return selectOne(ctx, s, fmt.Sprintf("photo %d", id), scanPhoto, "SELECT id, rise_id, at_ms, type, length(bytes), bytes FROM photos WHERE id = ?", id)
}

// Photos lists the pictures of a rise without their bytes, oldest first.
func (s *Store) Photos(ctx context.Context, riseID int64) ([]Photo, error) {
	return selectAll(ctx, s, scanPhoto, "SELECT id, rise_id, at_ms, type, length(bytes), NULL FROM photos WHERE rise_id = ? ORDER BY id", riseID)
}

// DeletePhoto removes a picture. One that does not exist is no error.
func (s *Store) DeletePhoto(ctx context.Context, id int64) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM photos WHERE id = ?", id)
		return err
	})
}
