package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Settings are small values under a key, for what must survive: the household's
// settings, the passphrase's hash, sessions, tokens. Keys are paths such as
// "session/3f2a". Every change waits for the disk.
type Settings struct{ s *Store }

// Settings returns the store's settings.
func (s *Store) Settings() Settings { return Settings{s} }

// Get returns the value of a key, or ErrNotFound.
func (t Settings) Get(ctx context.Context, key string) ([]byte, error) {
	var v []byte
	err := t.s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT value FROM settings WHERE key = ?", key).Scan(&v)
	})
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("%w: setting %q", ErrNotFound, key)
	}
	return v, err
}

// Set stores a value.
func (t Settings) Set(ctx context.Context, key string, value []byte) error {
	return t.SetAll(ctx, map[string][]byte{key: value})
}

// SetAll stores several values in one transaction. A nil value deletes its key.
func (t Settings) SetAll(ctx context.Context, values map[string][]byte) error {
	return t.s.write(ctx, func(tx *sql.Tx) error {
		for k, v := range values {
			if k == "" {
				return errors.New("history: a setting needs a key")
			}
			query, args := "INSERT INTO settings (key, value) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET value = excluded.value", []any{k, v}
			if v == nil {
				query, args = "DELETE FROM settings WHERE key = ?", []any{k}
			}
			if _, err := tx.ExecContext(ctx, query, args...); err != nil {
				return err
			}
		}
		return nil
	})
}

// Delete removes a key. A key that does not exist is no error.
func (t Settings) Delete(ctx context.Context, key string) error {
	return t.s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM settings WHERE key = ?", key)
		return err
	})
}

// DeletePrefix removes all keys that start with prefix and returns how many.
func (t Settings) DeletePrefix(ctx context.Context, prefix string) (int64, error) {
	if prefix == "" {
		return 0, errors.New("history: deleting settings needs a prefix")
	}
	var n int64
	err := t.s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM settings WHERE substr(key, 1, length(?1)) = ?1", prefix)
		if err != nil {
			return err
		}
		n, err = res.RowsAffected()
		return err
	})
	return n, err
}

// List returns all keys that start with prefix, with their values.
func (t Settings) List(ctx context.Context, prefix string) (map[string][]byte, error) {
	var out map[string][]byte
	err := t.s.query(func(db *sql.DB) (err error) {
		out, err = settingsOf(ctx, db, prefix)
		return err
	})
	return out, err
}

// settingsOf reads the settings of a file that start with prefix.
func settingsOf(ctx context.Context, db *sql.DB, prefix string) (map[string][]byte, error) {
	rows, err := db.QueryContext(ctx, "SELECT key, value FROM settings WHERE substr(key, 1, length(?1)) = ?1", prefix)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := make(map[string][]byte)
	for rows.Next() {
		var k string
		var v []byte
		if err := rows.Scan(&k, &v); err != nil {
			return nil, err
		}
		out[k] = v
	}
	return out, rows.Err()
}
