package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"tidemark/alert"
)

// held keeps the records that the disk refused, by their id. They are served
// from here as if they were stored and written when the disk takes them again.
// They are few: rises, acts, processes, alarms and letters.
type held struct {
	mu        sync.Mutex
	rises     map[int64]Rise
	processes map[int64][]byte
	acts      map[int64]Act
	alarms    map[string]alert.Alarm
	letters   map[string]alert.Letter
	lastID    int64 // last id given out without the file
}

// count is the number of records held.
func (h *held) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.rises) + len(h.processes) + len(h.acts) + len(h.alarms) + len(h.letters)
}

// put holds a record.
func put[K comparable, V any](h *held, m *map[K]V, k K, v V) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if *m == nil {
		*m = make(map[K]V)
	}
	(*m)[k] = v
}

// drop forgets a record that has reached the file.
func drop[K comparable, V any](h *held, m *map[K]V, k K) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(*m, k)
}

// get returns a held record.
func get[K comparable, V any](h *held, m *map[K]V, k K) (V, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	v, ok := (*m)[k]
	return v, ok
}

// list returns the held records in the order of their keys.
func list[K cmp.Ordered, V any](h *held, m *map[K]V) []V {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := make([]V, 0, len(*m))
	for _, k := range slices.Sorted(maps.Keys(*m)) {
		out = append(out, (*m)[k])
	}
	return out
}

// clear forgets everything; it has reached the file.
func (h *held) clear() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.rises, h.processes, h.acts, h.alarms, h.letters = nil, nil, nil, nil, nil
}

// freshID gives an id for a record that the file could not number. It leaves a
// gap, so that another process may number a few records first.
func (s *Store) freshID(ctx context.Context, table string) int64 {
	var seq sql.NullInt64
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT seq FROM sqlite_sequence WHERE name = ?", table).Scan(&seq)
	})
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		seq.Int64 = 1_000_000 // not readable either: far beyond a household's lifetime
	}
	s.held.mu.Lock()
	defer s.held.mu.Unlock()
	s.held.lastID = max(s.held.lastID+1, seq.Int64+100)
	return s.held.lastID
}

// memoryOnly wraps a refusal.
func memoryOnly(err error) error {
	return fmt.Errorf("%w: %s: %w", ErrMemoryOnly, inWords(err), err)
}

// flushHeld writes all held records in one transaction; wmu is held.
func (s *Store) flushHeld(ctx context.Context) error {
	if s.held.count() == 0 {
		return nil
	}
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		h := &s.held
		for _, r := range list(h, &h.rises) {
			if err := upsertRise(ctx, tx, r); err != nil {
				return err
			}
		}
		for _, a := range list(h, &h.acts) {
			if err := upsertAct(ctx, tx, a); err != nil {
				return err
			}
		}
		for _, a := range list(h, &h.alarms) {
			if err := upsertAlarm(ctx, tx, a); err != nil {
				return err
			}
		}
		for _, l := range list(h, &h.letters) {
			if err := upsertLetter(ctx, tx, l); err != nil {
				return err
			}
		}
		return s.flushProcesses(ctx, tx)
	})
	if err == nil {
		s.held.clear()
		s.opt.Log.Info("history: the disk takes writes again")
	}
	return err
}

// flushProcesses writes the held processes.
func (s *Store) flushProcesses(ctx context.Context, tx *sql.Tx) error {
	s.held.mu.Lock()
	processes := maps.Clone(s.held.processes)
	s.held.mu.Unlock()
	for id, body := range processes {
		if err := upsertProcess(ctx, tx, id, body); err != nil {
			return err
		}
	}
	return nil
}
