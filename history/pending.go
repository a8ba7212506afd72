package history

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"sync"
)

// pendingMost bounds the records that wait for the disk: weeks of a household,
// and some 20 MB if each were a message with a picture. Forecasts take at most half
// of it.
const pendingMost = 1000

// recordKey tells records apart: a later state takes the place of an earlier one.
type recordKey struct {
	table string
	id    any
}

// record is one record to be stored.
type record struct {
	key   recordKey
	value any // as readers get it while the disk refuses it
	write func(ctx context.Context, tx *sql.Tx) error
}

// writeAll stores records.
func writeAll(ctx context.Context, tx *sql.Tx, records []record) error {
	for _, r := range records {
		if err := r.write(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

// pending holds the records that wait for the disk, in the order they came. They are
// served from here as if they were stored.
type pending struct {
	mu      sync.Mutex
	records []record
	lastID  int64 // last id given out without the file
}

// add takes records in. One of the same key gives way.
func (p *pending) add(records ...record) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.records)+len(records) > pendingMost {
		return fmt.Errorf("history: %d records wait for the disk already", len(p.records))
	}
	for _, r := range records {
		p.records = append(slices.DeleteFunc(p.records, func(o record) bool { return o.key == r.key }), r)
	}
	return nil
}

// drop forgets records that have reached the file in a later state.
func (p *pending) drop(records ...record) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.records = slices.DeleteFunc(p.records, func(o record) bool {
		return slices.ContainsFunc(records, func(r record) bool { return r.key == o.key })
	})
}

// holds reports whether a record of this key waits.
func (p *pending) holds(key recordKey) bool {
	return slices.ContainsFunc(p.all(), func(r record) bool { return r.key == key })
}

// all returns the records that wait, in the order they came.
func (p *pending) all() []record {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.records)
}

// waiting returns the values that wait of one type.
func waiting[T any](p *pending) []T {
	var out []T
	for _, r := range p.all() {
		if v, ok := r.value.(T); ok {
			out = append(out, v)
		}
	}
	return out
}

// save stores records in one transaction that waits for the disk. What the disk
// refuses is kept in memory and served from there, which is no error: Health tells.
func (s *Store) save(ctx context.Context, records ...record) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.saveLocked(ctx, records...)
}

// saveLocked is save with wmu held.
func (s *Store) saveLocked(ctx context.Context, records ...record) error {
	err := s.writeLocked(ctx, func(tx *sql.Tx) error { return writeAll(ctx, tx, records) })
	switch {
	case err == nil:
		s.pending.drop(records...)
	case s.refused(err):
		return s.pending.add(records...)
	}
	return err
}

// refused reports whether what a write brought is to be kept in memory. Beside the
// service nobody lives long enough for that: the refusal is returned.
func (s *Store) refused(err error) bool { return isRefusal(err) && !s.opt.Beside }

// add stores what the file numbers: insert writes it. When the disk refuses, waiting
// numbers it and returns what waits; nil gives the refusal back.
func (s *Store) add(ctx context.Context, insert func(tx *sql.Tx) error, waiting func() []record) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, insert)
	if s.refused(err) && waiting != nil {
		return s.pending.add(waiting()...)
	}
	return err
}

// freshID returns an id for a record that the file could not number. It leaves a
// gap, so that another process may number a few records first.
func (s *Store) freshID(ctx context.Context, table string) int64 {
	found, err := selectAll(ctx, s, scanInt, "SELECT seq FROM sqlite_sequence WHERE name = ?", table)
	seq := int64(0)
	switch {
	case err != nil:
		seq = 1_000_000 // not readable either: far beyond a household's lifetime
	case len(found) > 0:
		seq = found[0]
	}
	s.pending.mu.Lock()
	defer s.pending.mu.Unlock()
	s.pending.lastID = max(s.pending.lastID+1, seq+100)
	return s.pending.lastID
}
