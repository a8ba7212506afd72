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

// RiseRow is a sample with the rise it belongs to.
type RiseRow struct {
	RiseID int64
	Row    Row
}

// queue holds samples and forecasts until the next commit. It never blocks and
// never grows beyond its limit: the oldest are given up first.
type queue struct {
	mu        sync.Mutex
	limit     int
	rows      []RiseRow
	forecasts []Forecast
	gone      int64 // rows ever removed from the front, written or dropped
	dropped   int64
}

// add appends one row.
func (q *queue) add(r RiseRow) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.rows = append(q.rows, r)
	// Removing in blocks keeps the cost of a full queue small.
	if slack := q.limit/16 + 1; len(q.rows) >= q.limit+slack {
		q.rows = slices.Delete(q.rows, 0, slack)
		q.gone += int64(slack)
		q.dropped += int64(slack)
	}
}

// addForecast appends one forecast; a twentieth of the limit is kept.
func (q *queue) addForecast(f Forecast) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.forecasts = append(q.forecasts, f)
	q.forecasts = slices.Delete(q.forecasts, 0, max(0, len(q.forecasts)-q.limit/20-1))
}

// counts returns the rows that wait and the rows dropped so far.
func (q *queue) counts() (waiting int, dropped int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.rows), q.dropped
}

// take copies what is waiting, the oldest samples first; upTo is the mark for written.
func (q *queue) take() (rows []RiseRow, forecasts []Forecast, upTo int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.rows), slices.Clone(q.forecasts), q.gone + int64(len(q.rows))
}

// written removes what take returned.
func (q *queue) written(upTo int64, forecasts int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if n := int(upTo - q.gone); n > 0 {
		q.rows = slices.Delete(q.rows, 0, n)
		q.gone += int64(n)
	}
	q.forecasts = slices.Delete(q.forecasts, 0, min(forecasts, len(q.forecasts)))
	if len(q.rows) == 0 && cap(q.rows) > 1024 {
		q.rows = nil
	}
}

// of returns the waiting rows of one rise as they came.
func (q *queue) of(riseID int64) []RiseRow {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(q.rows), func(r RiseRow) bool { return r.RiseID != riseID })
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
	s.queue.add(RiseRow{riseID, r})
	if r.Event != estimator.NoEvent {
		s.FlushSoon()
	}
	return nil
}

// AppendForecast takes one forecast; it is written with the next commit. One
// every ten minutes is meant.
func (s *Store) AppendForecast(f Forecast) error {
	if f.RiseID <= 0 || f.At.IsZero() {
		return fmt.Errorf("history: a forecast needs a rise and a time, got id %d at %v", f.RiseID, f.At)
	}
	s.queue.addForecast(f)
	return nil
}

// FlushSoon asks the writer to commit now, without waiting.
func (s *Store) FlushSoon() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// Flush writes what is buffered and what the disk refused earlier, in one
// transaction. It returns the disk's refusal; the data stay in memory then.
func (s *Store) Flush(ctx context.Context) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.reopen(ctx); err != nil {
		s.opt.Log.Warn("history: the file still cannot be written", "error", err)
	}
	return s.flushLocked(ctx)
}

// flushLocked does the work of Flush; wmu is held.
func (s *Store) flushLocked(ctx context.Context) error {
	rows, forecasts, upTo := s.queue.take()
	records := s.pending.all()
	if len(rows)+len(forecasts)+len(records) == 0 {
		s.status.change(func(st *status) {
			if !st.inMemory {
				st.commit = s.opt.Now()
			}
		})
		return nil
	}
	// By rise, because those of a rise share pages.
	slices.SortStableFunc(rows, func(a, b RiseRow) int { return cmp.Compare(a.RiseID, b.RiseID) })
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		if err := insertRows(ctx, tx, rows); err != nil {
			return err
		}
		if err := insertForecasts(ctx, tx, forecasts); err != nil {
			return err
		}
		for _, r := range records {
			if err := r.write(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	s.queue.written(upTo, len(forecasts))
	s.pending.drop(records...)
	if len(records) > 0 {
		s.opt.Log.Info("history: the disk takes writes again", "records", len(records))
	}
	return nil
}

// earlyPasses are the waits before the writer's first passes, 5, 10, 20 and 40 s
// after the start: a process that dies again and again leaves something each time.
func earlyPasses() []time.Duration {
	return []time.Duration{5 * time.Second, 5 * time.Second, 10 * time.Second, 20 * time.Second}
}

// flusher is the regular writer.
func (s *Store) flusher() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	early := earlyPasses()
	timer := time.NewTimer(min(early[0], s.opt.FlushEvery))
	defer timer.Stop()
	for {
		select {
		case <-s.stop:
			return
		case <-s.kick:
		case <-timer.C:
			wait := s.opt.FlushEvery
			if early = early[min(1, len(early)):]; len(early) > 0 {
				wait = min(early[0], wait)
			}
			timer.Reset(wait)
		}
		if err := s.takeSuspicion(); err != nil {
			s.checkSuspicion(ctx, err)
		}
		if err := s.Flush(ctx); err != nil {
			waiting, _ := s.queue.counts()
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
		if _, err := tx.ExecContext(ctx, query, args...); err != nil {
			return err
		}
	}
	return nil
}

// insertForecasts writes forecasts.
func insertForecasts(ctx context.Context, tx *sql.Tx, forecasts []Forecast) error {
	for _, f := range forecasts {
		_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO forecasts (rise_id, at_ms, p10_ms, median_ms, p90_ms) VALUES (?,?,?,?,?)",
			f.RiseID, f.At.UnixMilli(), ms(f.Ready.From), ms(f.Ready.Median), ms(f.Ready.Until))
		if err != nil {
			return err
		}
	}
	return nil
}
