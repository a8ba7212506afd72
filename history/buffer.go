package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark/estimator"
)

// buffer holds samples and forecasts until the next commit. It never blocks and
// never grows beyond its limit: the oldest are given up first.
type buffer struct {
	mu        sync.Mutex
	limit     int
	rows      []packedRow
	forecasts []ForecastRow
	gone      int64 // rows ever removed from the front, written or dropped
	tailed    int64 // rows ever put into the tail, counted like gone
	dropped   int64
	looked    []RiseRow // a guest's: rows of the service that only its tail holds
}

// add appends one row.
func (b *buffer) add(r RiseRow) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rows = append(b.rows, pack(r))
	// Removing in blocks keeps the cost of a full buffer small.
	if slack := b.limit/16 + 1; len(b.rows) >= b.limit+slack {
		b.rows = slices.Delete(b.rows, 0, slack)
		b.gone += int64(slack)
		b.dropped += int64(slack)
	}
}

// addForecast appends one forecast; a twentieth of the limit is kept.
func (b *buffer) addForecast(f ForecastRow) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forecasts = append(b.forecasts, f)
	if most := b.limit/20 + 1; len(b.forecasts) > most {
		b.forecasts = slices.Delete(b.forecasts, 0, len(b.forecasts)-most)
	}
}

// counts returns the rows that are not on the disk and the rows dropped so far.
func (b *buffer) counts() (waiting int, dropped int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.rows) - b.inTail(), b.dropped
}

// inTail is how many of the rows are in the tail; mu is held.
func (b *buffer) inTail() int { return int(max(0, b.tailed-b.gone)) }

// held is how many rows are not in the database.
func (b *buffer) held() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.rows)
}

// unsaved copies the rows that are not on the disk; upTo is the mark for saved.
func (b *buffer) unsaved() (rows []RiseRow, upTo int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return unpackAll(b.rows[b.inTail():]), b.gone + int64(len(b.rows))
}

// forget notes that the tail is gone.
func (b *buffer) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tailed = 0
}

// saved notes that what unsaved returned is in the tail.
func (b *buffer) saved(upTo int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tailed = max(b.tailed, upTo)
}

// restore takes a row that was found in the tail; a guest only looks at it.
func (b *buffer) restore(r RiseRow, guest bool) {
	if !guest {
		b.add(r)
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.looked = append(b.looked, r)
}

// told copies the forecasts that wait.
func (b *buffer) told() []ForecastRow {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.forecasts)
}

// take copies what is waiting, the oldest samples first; upTo is the mark for written.
func (b *buffer) take() (rows []RiseRow, forecasts []ForecastRow, upTo int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return unpackAll(b.rows), slices.Clone(b.forecasts), b.gone + int64(len(b.rows))
}

// written removes what take returned.
func (b *buffer) written(upTo int64, forecasts int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := int(upTo - b.gone); n > 0 {
		b.rows = slices.Delete(b.rows, 0, n)
		b.gone += int64(n)
	}
	b.forecasts = slices.Delete(b.forecasts, 0, min(forecasts, len(b.forecasts)))
	if len(b.rows) == 0 && cap(b.rows) > 1024 {
		b.rows = nil
	}
}

// of returns the waiting rows of one rise within [from, until), in time order.
func (b *buffer) of(riseID int64, from, until time.Time) []Row {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []Row
	for _, r := range append(slices.Clone(b.looked), b.waiting(riseID)...) {
		if r.RiseID == riseID && within(r.Row.Time, from, until) {
			out = append(out, r.Row)
		}
	}
	slices.SortStableFunc(out, func(a, b Row) int { return a.Time.Compare(b.Time) })
	return out
}

// ofRise returns the waiting rows of one rise as they came.
func (b *buffer) ofRise(riseID int64) []RiseRow {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.waiting(riseID)
}

// waiting is ofRise with mu held.
func (b *buffer) waiting(riseID int64) (out []RiseRow) {
	for _, p := range b.rows {
		if p.riseID == riseID {
			out = append(out, p.unpack())
		}
	}
	return out
}

// within reports whether t is in [from, until); a zero bound does not restrict.
func within(t, from, until time.Time) bool {
	return (from.IsZero() || !t.Before(from)) && (until.IsZero() || t.Before(until))
}

// AppendRow takes one sample of a rise. It does not wait: the sample is written
// with the next commit, at once when it carries an event. A second row of the
// same rise and millisecond replaces the first but keeps its event. The caller
// thins: about one row per 10 s is meant.
func (s *Store) AppendRow(riseID int64, r Row) error {
	if riseID <= 0 {
		return fmt.Errorf("history: a sample needs a rise, got id %d", riseID)
	}
	if r.Time.IsZero() {
		return errors.New("history: a sample needs a time")
	}
	s.buf.add(RiseRow{riseID, r})
	if r.Event != estimator.NoEvent {
		s.FlushSoon()
	}
	return nil
}

// AppendForecast takes one forecast; it is written with the next commit. One
// every ten minutes is meant.
func (s *Store) AppendForecast(f ForecastRow) error {
	if f.RiseID <= 0 || f.At.IsZero() {
		return fmt.Errorf("history: a forecast needs a rise and a time, got id %d at %v", f.RiseID, f.At)
	}
	s.buf.addForecast(f)
	return nil
}

// FlushSoon asks the writer to commit now, without waiting.
func (s *Store) FlushSoon() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// Flush writes what is buffered and what the disk refused earlier. It returns
// the disk's refusal; the data stay in memory then.
func (s *Store) Flush(ctx context.Context) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if !s.opt.Guest {
		if err := s.rejoin(ctx); err != nil {
			s.opt.Log.Warn("history: the file still cannot be used", "error", err)
		}
	}
	return s.flushLocked(ctx)
}

// Keep is what the regular writer does once a minute: it brings the samples to the
// disk, to the tail or, when that is full, to the database. It returns the disk's
// refusal; the data stay in memory then.
func (s *Store) Keep(ctx context.Context) error {
	s.wmu.Lock()
	full := s.tailFull()
	if !full {
		if err := s.keepTail(ctx); err != nil {
			s.opt.Log.Warn("history: the tail takes no samples; they go to the database", "error", err)
			full = true
		}
	}
	s.wmu.Unlock()
	if full {
		return s.Flush(ctx)
	}
	return nil
}

// flushLocked does the work of Flush; wmu is held.
func (s *Store) flushLocked(ctx context.Context) error {
	if err := s.flushHeld(ctx); err != nil {
		return err
	}
	rows, forecasts, upTo := s.buf.take()
	if len(rows)+len(forecasts) == 0 {
		s.status.passed(s.opt.Now())
		return nil
	}
	// By rise, because those of a rise share pages. The disk has to have them before
	// the tail counts no more.
	slices.SortStableFunc(rows, func(a, b RiseRow) int { return cmp.Compare(a.RiseID, b.RiseID) })
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		if err := insertRows(ctx, tx, rows); err != nil {
			return err
		}
		if err := s.sealTail(ctx, tx); err != nil {
			return err
		}
		return insertForecasts(ctx, tx, forecasts)
	})
	if err == nil {
		s.buf.written(upTo, len(forecasts))
		s.beginTail()
	}
	return err
}

// flusher is the regular writer.
func (s *Store) flusher() {
	defer s.done.Done()
	tick := time.NewTicker(s.opt.FlushEvery)
	defer tick.Stop()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	for {
		select {
		case <-s.stop:
			return
		case <-tick.C:
		case <-s.kick:
		}
		if err := s.takeSuspicion(); err != nil {
			s.checkSuspicion(ctx, err)
		}
		if err := s.Keep(ctx); err != nil {
			waiting, _ := s.buf.counts()
			s.opt.Log.Error("history: samples are not reaching the disk", "error", err, "waiting", waiting)
		}
	}
}

const insertRowSQL = `INSERT INTO samples
 (rise_id, t_ms, distance_um, dough_mc, air_mc, rise_mpct, sd_mpct, equiv_mh, rejected, event) VALUES `

const upsertRowSQL = ` ON CONFLICT (rise_id, t_ms) DO UPDATE SET
 distance_um = excluded.distance_um, dough_mc = excluded.dough_mc, air_mc = excluded.air_mc,
 rise_mpct = excluded.rise_mpct, sd_mpct = excluded.sd_mpct, equiv_mh = excluded.equiv_mh,
 rejected = excluded.rejected, event = coalesce(excluded.event, event)`

// rowsPerStatement is how many rows one INSERT carries at most.
const rowsPerStatement = 60

// insertRows writes samples.
func insertRows(ctx context.Context, tx *sql.Tx, rows []RiseRow) error {
	const marks = "(?,?,?,?,?,?,?,?,?,?)"
	var full *sql.Stmt
	for chunk := range slices.Chunk(rows, rowsPerStatement) {
		args := make([]any, 0, 10*len(chunk))
		for _, r := range chunk {
			args = append(args, r.RiseID, r.Row.Time.UnixMilli())
			for _, v := range valuesOf(&r.Row) {
				args = append(args, milli(*v))
			}
			args = append(args, text(r.Row.Rejected), text(string(r.Row.Event)))
		}
		query := insertRowSQL + strings.TrimSuffix(strings.Repeat(marks+",", len(chunk)), ",") + upsertRowSQL
		var err error
		switch {
		case len(chunk) < rowsPerStatement:
			_, err = tx.ExecContext(ctx, query, args...)
		case full == nil:
			if full, err = tx.PrepareContext(ctx, query); err != nil {
				return err
			}
			defer full.Close()
			fallthrough
		default:
			_, err = full.ExecContext(ctx, args...)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// insertForecasts writes forecasts.
func insertForecasts(ctx context.Context, tx *sql.Tx, forecasts []ForecastRow) error {
	for _, f := range forecasts {
		_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO forecasts
 (rise_id, at_ms, from_ms, median_ms, until_ms, rise_percent, target_percent, reach_chance,
  ceiling_percent, ceiling_low, ceiling_high) VALUES (?,?,?,?,?,?,?,?,?,?,?)`,
			f.RiseID, f.At.UnixMilli(), ms(f.Ready.From), ms(f.Ready.Median), ms(f.Ready.Until),
			number(f.RisePercent), number(f.TargetPercent), number(f.ReachChance),
			number(f.CeilingPercent), number(f.CeilingLow), number(f.CeilingHigh))
		if err != nil {
			return err
		}
	}
	return nil
}
