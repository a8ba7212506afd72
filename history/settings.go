package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Settings are small values under a key, for what must survive: the household's
// settings, the passphrase's hash, sessions, tokens, what was learned. Keys are
// paths such as "session/3f2a". Every change waits for the disk; when that refuses,
// the value is kept in memory; Health tells.
type Settings struct{ s *Store }

// Settings returns the store's settings.
func (s *Store) Settings() Settings { return Settings{s} }

// setting is one key with its value; nil deletes it.
type setting struct {
	key   string
	value []byte
}

// settings is how settings are stored.
func settings() table[setting] {
	return table[setting]{name: "settings", columns: "key, value", key: "key",
		fields: func(v *setting) []any { return []any{&v.key, blob(&v.value)} }, id: func(v setting) any { return v.key }}
}

// record stores or deletes a setting.
func (v setting) record() record {
	r := settings().record(v)
	if v.value == nil {
		r.write = func(ctx context.Context, tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, "DELETE FROM settings WHERE key = ?", v.key)
			return err
		}
	}
	return r
}

// Get returns the value of a key, or ErrNotFound.
func (t Settings) Get(ctx context.Context, key string) ([]byte, error) {
	v, err := settings().one(ctx, t.s, "setting", key)
	if err == nil && v.value == nil {
		err = fmt.Errorf("%w: setting %s", ErrNotFound, key)
	}
	return v.value, err
}

// Set stores a value.
func (t Settings) Set(ctx context.Context, key string, value []byte) error {
	return t.SetAll(ctx, map[string][]byte{key: value})
}

// SetAll stores several values in one transaction. A nil value deletes its key.
func (t Settings) SetAll(ctx context.Context, values map[string][]byte) error {
	var records []record
	for k, v := range values {
		if k == "" {
			return errors.New("history: a setting needs a key")
		}
		records = append(records, setting{k, v}.record())
	}
	return t.s.save(ctx, records...)
}

// Delete removes a key. A key that does not exist is no error.
func (t Settings) Delete(ctx context.Context, key string) error {
	return t.SetAll(ctx, map[string][]byte{key: nil})
}

// List returns all keys that start with prefix, with their values.
func (t Settings) List(ctx context.Context, prefix string) (map[string][]byte, error) {
	wanted := func(v setting) bool { return v.value != nil && strings.HasPrefix(v.key, prefix) }
	all, err := settings().read(ctx, t.s, wanted, "WHERE substr(key, 1, length(?1)) = ?1", prefix)
	out := make(map[string][]byte, len(all))
	for _, v := range all {
		out[v.key] = v.value
	}
	return out, err
}

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

// photos is how pictures are stored.
func photos() table[Photo] {
	return table[Photo]{name: "photos", columns: "id, rise_id, at_ms, type, bytes", key: "id", id: func(p Photo) any { return p.ID },
		fields: func(p *Photo) []any {
			return []any{&p.ID, &p.RiseID, instant(&p.At), &p.Type, blob(&p.Bytes)}
		}}
}

// AddPhoto stores a picture of a rise and returns its id. What the disk refuses is not
// kept in memory: it may be large.
func (s *Store) AddPhoto(ctx context.Context, p Photo) (int64, error) {
	if p.RiseID <= 0 || p.Type == "" || len(p.Bytes) == 0 || p.At.IsZero() {
		return 0, fmt.Errorf("history: a photo needs a rise, a time, a type and bytes, got rise %d, type %q, %d bytes", p.RiseID, p.Type, len(p.Bytes))
	}
	p.ID = s.freshID(ctx, "photos")
	return p.ID, s.write(ctx, func(tx *sql.Tx) error { return photos().record(p).write(ctx, tx) })
}

// Photo returns one picture with its bytes, or ErrNotFound.
func (s *Store) Photo(ctx context.Context, id int64) (Photo, error) {
	p, err := photos().one(ctx, s, "photo", id)
	p.Size = int64(len(p.Bytes))
	return p, err
}

// Photos returns the pictures of a rise without their bytes, oldest first.
func (s *Store) Photos(ctx context.Context, riseID int64) ([]Photo, error) {
	return selectAll(ctx, s, func(scan scanner) (p Photo, err error) {
		err = scan(&p.ID, &p.RiseID, instant(&p.At), &p.Type, &p.Size)
		return p, err
	}, "SELECT id, rise_id, at_ms, type, length(bytes) FROM photos WHERE rise_id = ? ORDER BY id", riseID)
}

// DeletePhoto removes a picture. One that does not exist is no error.
func (s *Store) DeletePhoto(ctx context.Context, id int64) error {
	_, err := s.exec(ctx, "DELETE FROM photos WHERE id = ?", id)
	return err
}
