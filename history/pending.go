package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sync"
)

// pendingMost bounds the records that wait for the disk: weeks of a household,
// and some 20 MB if each were a message with a picture. Forecasts take at most half
// of it. rowsMost bounds the samples beside them: more than two days of one vessel, 4 MB.
const (
	pendingMost = 1000
	rowsMost    = 20_000
)

// recordKey tells records apart: a later state takes the place of an earlier one.
type recordKey struct {
	table string
	id    any
}

// record is one record to be stored. One that holds a riseRow has neither key nor write.
type record struct {
	key   recordKey
	value any // as readers get it while it waits
	write func(ctx context.Context, tx *sql.Tx) error
	place int64 // in the order of waiting
}

// writeAll stores records in their order, samples that follow each other at once.
func writeAll(ctx context.Context, tx *sql.Tx, records []record) error {
	var rows []riseRow
	for _, r := range records {
		if row, ok := r.value.(riseRow); ok {
			rows = append(rows, row)
			continue
		}
		if err := errors.Join(insertRows(ctx, tx, rows), r.write(ctx, tx)); err != nil {
			return err
		}
		rows = nil
	}
	return insertRows(ctx, tx, rows)
}

// pending holds what waits for the disk, in the order it came: samples until the next
// commit, and records that the disk has refused. They are served from here as if they
// were stored.
type pending struct {
	mu      sync.Mutex
	records []record
	rows    int   // samples among them
	dropped int64 // samples given up
	places  int64 // given out so far
	lastID  int64 // last id given out without the file
}

// add takes records in. One of the same key gives way.
func (p *pending) add(records ...record) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.records)-p.rows+len(records) > pendingMost {
		return fmt.Errorf("history: %d records wait for the disk already", len(p.records)-p.rows)
	}
	for _, r := range records {
		p.records = slices.DeleteFunc(p.records, func(o record) bool { return o.write != nil && o.key == r.key })
		p.append(r)
	}
	return nil
}

// append puts a record last; mu is held.
func (p *pending) append(r record) {
	p.places++
	r.place = p.places
	p.records = append(p.records, r)
}

// addRow takes a sample in. It never blocks: of too many the oldest are given up, in
// blocks, which keeps the cost small.
func (p *pending) addRow(r riseRow) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.append(record{value: r})
	p.rows++
	if slack := rowsMost / 16; p.rows >= rowsMost+slack {
		p.rows, p.dropped = p.rows-slack, p.dropped+int64(slack)
		p.records = slices.DeleteFunc(p.records, func(o record) bool {
			_, sample := o.value.(riseRow)
			if sample {
				slack--
			}
			return sample && slack >= 0
		})
	}
}

// written forgets records that were stored, unless a later state came meanwhile.
func (p *pending) written(stored []record) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(stored) == 0 {
		return
	}
	last := stored[len(stored)-1].place
	p.records = slices.DeleteFunc(p.records, func(o record) bool { return o.place <= last })
	p.rows = len(ofType[riseRow](p.records))
	if len(p.records) == 0 {
		p.records = nil
	}
}

// holds reports whether a record of this key waits.
func (p *pending) holds(key recordKey) bool {
	return slices.ContainsFunc(p.all(), func(r record) bool { return r.key == key })
}

// all returns what waits, in the order it came.
func (p *pending) all() []record {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.records)
}

// counts returns how many samples and how many other records wait, and the samples
// given up so far.
func (p *pending) counts() (rows, others int, dropped int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.rows, len(p.records) - p.rows, p.dropped
}

// waiting returns the values that wait of one type.
func waiting[T any](p *pending) []T { return ofType[T](p.all()) }

// ofType returns the values of one type.
func ofType[T any](records []record) []T {
	var out []T
	for _, r := range records {
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
	if s.refused(err) {
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
