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

// record is one record to be stored. A sample has no key.
type record struct {
	key   recordKey
	value any // as readers get it while it waits
	write func(ctx context.Context, tx *sql.Tx) error
	place int64 // in the order of waiting
}

// writeAll stores records in their order.
func writeAll(ctx context.Context, tx *sql.Tx, records []record) error {
	for _, r := range records {
		if err := r.write(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

// pending holds what waits for the disk, in the order it came: samples until the next
// commit, and records that the disk has refused. They are served from here as if they
// were stored.
type pending struct {
	mu      sync.Mutex
	records []record
	rows    int              // samples among them
	dropped int64            // samples given up
	places  int64            // given out so far
	lastIDs map[string]int64 // by table, the last one given out
}

// add takes records in. One of the same key gives way.
func (p *pending) add(records ...record) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.records)-p.rows+len(records) > pendingMost {
		return fmt.Errorf("history: %d records wait for the disk already", len(p.records)-p.rows)
	}
	for _, r := range records {
		p.records = slices.DeleteFunc(p.records, func(o record) bool { return o.key == r.key })
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
func (p *pending) addRow(r record) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.append(r)
	p.rows++
	if slack := rowsMost / 16; p.rows >= rowsMost+slack {
		p.rows, p.dropped = p.rows-slack, p.dropped+int64(slack)
		p.records = slices.DeleteFunc(p.records, func(o record) bool {
			if _, sample := o.value.(riseRow); !sample || slack == 0 {
				return false
			}
			slack--
			return true
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

// exec runs statements in a transaction that waits for the disk and returns how many lines
// the last of them changed.
func (s *Store) exec(ctx context.Context, query string, args ...any) (n int64, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, query, args...)
		if err == nil {
			n, err = res.RowsAffected()
		}
		return err
	})
	return n, err
}

// save stores records in one transaction that waits for the disk. What the disk
// refuses is kept in memory and served from there, which is no error: Health tells.
// Beside the service nobody lives long enough for that: the refusal is returned.
func (s *Store) save(ctx context.Context, records ...record) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.saveLocked(ctx, records...)
}

// saveLocked is save with wmu held.
func (s *Store) saveLocked(ctx context.Context, records ...record) error {
	err := s.writeLocked(ctx, func(tx *sql.Tx) error { return writeAll(ctx, tx, records) })
	if isRefusal(err) && !s.opt.Beside {
		return s.pending.add(records...)
	}
	return err
}

// freshID returns an id that no record of a table has or had. Without a file it is far
// beyond a household's lifetime, for one may come.
func (s *Store) freshID(ctx context.Context, table string) int64 {
	seq := int64(0)
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?", table).Scan(&seq)
	})
	if err != nil {
		seq = 1_000_000
	}
	s.pending.mu.Lock()
	defer s.pending.mu.Unlock()
	if s.pending.lastIDs == nil {
		s.pending.lastIDs = map[string]int64{}
	}
	s.pending.lastIDs[table] = max(s.pending.lastIDs[table], seq) + 1
	return s.pending.lastIDs[table]
}
