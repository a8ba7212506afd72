package history

import (
	"context"
	"errors"
	"strings"
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
	return kept(t.s.save(ctx, records...))
}

// Delete removes a key. A key that does not exist is no error.
func (t Settings) Delete(ctx context.Context, key string) error {
	return t.SetAll(ctx, map[string][]byte{key: nil})
}

// DeletePrefix removes all keys that start with prefix and returns how many.
func (t Settings) DeletePrefix(ctx context.Context, prefix string) (int64, error) {
	if prefix == "" {
		return 0, errors.New("history: deleting settings needs a prefix")
	}
	there, err := t.List(ctx, prefix)
	if err != nil {
		return 0, err
	}
	n := int64(len(there))
	for k := range there {
		there[k] = nil
	}
	return n, t.SetAll(ctx, there)
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
