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

// scanSetting reads a setting.
func scanSetting(scan scanner) (v setting, err error) {
	err = scan(&v.key, &v.value)
	return v, err
}

// record stores or deletes a setting.
func (v setting) record() record {
	if v.value == nil {
		return recordOf(settingKey(v.key), v, "DELETE FROM settings WHERE key = ?", v.key)
	}
	return recordOf(settingKey(v.key), v, upsertSQL("settings", "key", "key, value", "key"), v.key, v.value)
}

// selectSettings reads settings.
func (t Settings) selectSettings(ctx context.Context, wanted func(key string) bool, where string, args ...any) ([]setting, error) {
	out, err := selectAll(ctx, t.s, scanSetting, "SELECT key, value FROM settings WHERE "+where, args...)
	return overlay(&t.s.pending, out, func(v setting) string { return v.key },
		func(v setting) bool { return v.value != nil && wanted(v.key) }), err
}

// Get returns the value of a key, or ErrNotFound.
func (t Settings) Get(ctx context.Context, key string) ([]byte, error) {
	out, err := t.selectSettings(ctx, func(k string) bool { return k == key }, "key = ?", key)
	v, err := first(out, err, "setting", key)
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
	all, err := t.selectSettings(ctx, func(k string) bool { return strings.HasPrefix(k, prefix) }, "substr(key, 1, length(?1)) = ?1", prefix)
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

// AddPhoto stores a picture of a rise and returns its id.
func (s *Store) AddPhoto(ctx context.Context, p Photo) (id int64, err error) {
	if p.RiseID <= 0 || p.Type == "" || len(p.Bytes) == 0 || p.At.IsZero() {
		return 0, fmt.Errorf("history: a photo needs a rise, a time, a type and bytes, got rise %d, type %q, %d bytes", p.RiseID, p.Type, len(p.Bytes))
	}
	err = s.add(ctx, func(tx *sql.Tx) (err error) {
		id, err = insertLine(ctx, tx, "INSERT INTO photos (rise_id, at_ms, type, bytes) VALUES (?,?,?,?)", p.RiseID, p.At.UnixMilli(), p.Type, p.Bytes)
		return err
	}, nil)
	return id, err
}

// photos reads pictures; bytes is the column or NULL.
func (s *Store) photos(ctx context.Context, bytes, where string, arg any) ([]Photo, error) {
	return selectAll(ctx, s, func(scan scanner) (p Photo, err error) {
		err = scan(&p.ID, &p.RiseID, instant(&p.At), &p.Type, &p.Size, blob(&p.Bytes))
		return p, err
	}, "SELECT id, rise_id, at_ms, type, length(bytes), "+bytes+" FROM photos WHERE "+where+" ORDER BY id", arg)
}

// Photo returns one picture with its bytes, or ErrNotFound.
func (s *Store) Photo(ctx context.Context, id int64) (Photo, error) {
	out, err := s.photos(ctx, "bytes", "id = ?", id)
	return first(out, err, "photo", id)
}

// Photos returns the pictures of a rise without their bytes, oldest first.
func (s *Store) Photos(ctx context.Context, riseID int64) ([]Photo, error) {
	return s.photos(ctx, "NULL", "rise_id = ?", riseID)
}

// DeletePhoto removes a picture. One that does not exist is no error.
func (s *Store) DeletePhoto(ctx context.Context, id int64) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM photos WHERE id = ?", id)
		return err
	})
}
