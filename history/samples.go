package history

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"sync"
	"time"

	"tidemark/estimator"
)

// Row is one stored sample with the estimate at that time. Missing values are
// NaN and are stored as NULL.
type Row struct {
	Time        time.Time
	DistanceMM  float64
	DoughC      float64
	AirC        float64
	RisePercent float64
	RiseSD      float64
	EquivHours  float64
	Rejected    string // reason when the distance was not believed
	Event       estimator.Event
}

// RiseRow is a sample with the rise it belongs to.
type RiseRow struct {
	RiseID int64
	Row    Row
}

const rowColumns = "t_ms, distance_um, dough_mc, air_mc, rise_mpct, sd_mpct, equiv_mh, rejected, event"

// fields are the columns of a row in the order of rowColumns.
func (r *Row) fields() []any {
	return []any{instant(&r.Time), thousandth(&r.DistanceMM), thousandth(&r.DoughC), thousandth(&r.AirC), thousandth(&r.RisePercent),
		thousandth(&r.RiseSD), thousandth(&r.EquivHours), orNull(&r.Rejected), orNull((*string)(&r.Event))}
}

// rounded returns a row as it reads back from the file.
func rounded(r Row) Row {
	for _, f := range r.fields() {
		c := f.(interface {
			driver.Valuer
			sql.Scanner
		})
		v, _ := c.Value()
		_ = c.Scan(v)
	}
	return r
}

// queue holds samples until the next commit. It never blocks and never grows beyond
// its limit: the oldest are given up first.
type queue struct {
	mu      sync.Mutex
	limit   int
	rows    []RiseRow
	gone    int64 // rows ever removed from the front, written or dropped
	dropped int64
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

// counts returns the rows that wait and the rows dropped so far.
func (q *queue) counts() (waiting int, dropped int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.rows), q.dropped
}

// take returns what is waiting, the oldest first; upTo is the mark for written.
func (q *queue) take() (rows []RiseRow, upTo int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.rows), q.gone + int64(len(q.rows))
}

// written removes what take returned.
func (q *queue) written(upTo int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if n := int(upTo - q.gone); n > 0 {
		q.rows = slices.Delete(q.rows, 0, n)
		q.gone = upTo
	}
	if len(q.rows) == 0 && cap(q.rows) > 1024 {
		q.rows = nil
	}
}

// of returns the waiting rows of one rise as they came.
func (q *queue) of(riseID int64) []RiseRow {
	rows, _ := q.take()
	return slices.DeleteFunc(rows, func(r RiseRow) bool { return r.RiseID != riseID })
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
	rows, upTo := s.queue.take()
	records := s.pending.all()
	if len(rows)+len(records) == 0 {
		s.change(func() {
			if !s.health.InMemory {
				s.health.LastCommit = s.opt.Now()
			}
		})
		return nil
	}
	// By rise, because those of a rise share pages.
	slices.SortStableFunc(rows, func(a, b RiseRow) int { return cmp.Compare(a.RiseID, b.RiseID) })
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		return errors.Join(insertRows(ctx, tx, rows), writeAll(ctx, tx, records))
	})
	if err != nil {
		return err
	}
	s.queue.written(upTo)
	s.pending.drop(records...)
	return nil
}

// flusher is the regular writer. Its first passes come 5, 10, 20 and 40 s after the
// start: a process that dies again and again leaves something each time.
func (s *Store) flusher() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	early := []time.Duration{5 * time.Second, 5 * time.Second, 10 * time.Second, 20 * time.Second}
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
		s.checkSuspicion(ctx)
		if err := s.Flush(ctx); err != nil {
			waiting, _ := s.queue.counts()
			s.opt.Log.Error("history: samples are not reaching the disk", "error", err, "waiting", waiting)
		}
	}
}

// insertRows writes samples.
func insertRows(ctx context.Context, tx *sql.Tx, rows []RiseRow) error {
	if len(rows) == 0 {
		return nil
	}
	stmt, err := tx.PrepareContext(ctx, upsertSQL("samples", "rise_id, t_ms", "rise_id, "+rowColumns, "rise_id", "t_ms", "event")+
		", event = coalesce(excluded.event, event)")
	if err != nil {
		return err
	}
	defer stmt.Close()
	for _, r := range rows {
		if _, err := stmt.ExecContext(ctx, append([]any{r.RiseID}, r.Row.fields()...)...); err != nil {
			return err
		}
	}
	return nil
}

// rowsPerRead bounds one read, so that a slow consumer never keeps the
// write-ahead log from being folded in.
const rowsPerRead = 2000

// bounds turns [from, until) into milliseconds; a zero time does not restrict.
func bounds(from, until time.Time) (lo, hi int64) {
	lo, hi = math.MinInt64, math.MaxInt64
	if !from.IsZero() {
		lo = from.UnixMilli()
	}
	if !until.IsZero() {
		hi = until.UnixMilli()
	}
	return lo, hi
}

// storedRow is a row with the moment of its key, which a spoiled file may have
// beyond what a time can say.
type storedRow struct {
	Row
	ms int64
}

// scanRow reads one line with rowColumns and the moment once more.
func scanRow(scan scanner) (r storedRow, err error) {
	err = scan(append(r.fields(), &r.ms)...)
	return r, err
}

// Rows walks the samples of a rise in [from, until) in order of time, those not
// yet written included; a zero bound does not restrict. After an error the walk
// ends. No lock and no read transaction is held between two samples.
func (s *Store) Rows(ctx context.Context, riseID int64, from, until time.Time) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		lo, hi := bounds(from, until)
		// The queue first: what moves to the file meanwhile is then seen twice,
		// never missed.
		var waiting []Row
		for _, r := range s.queue.of(riseID) {
			if at := r.Row.Time.UnixMilli(); at >= lo && at < hi {
				waiting = append(waiting, rounded(r.Row))
			}
		}
		slices.SortStableFunc(waiting, func(a, b Row) int { return a.Time.Compare(b.Time) })
		for more := true; more; {
			part, err := selectAll(ctx, s, scanRow, "SELECT "+rowColumns+", t_ms FROM samples WHERE rise_id = ? AND t_ms >= ? AND t_ms < ? ORDER BY t_ms LIMIT ?",
				riseID, lo, hi, rowsPerRead)
			if err != nil {
				yield(Row{}, fmt.Errorf("read the samples of rise %d: %w", riseID, err))
				return
			}
			more = len(part) == rowsPerRead
			for _, r := range part {
				for len(waiting) > 0 && !waiting[0].Time.After(r.Time) {
					if waiting[0].Time.Before(r.Time) && !yield(waiting[0], nil) {
						return
					}
					waiting = waiting[1:]
				}
				if !yield(r.Row, nil) {
					return
				}
				lo = r.ms + 1
			}
		}
		for _, r := range waiting {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// ThinRows returns at most n samples of a rise in [from, until) for a chart. The
// first, the last, and in each stretch of time the lowest and the highest rise
// are among them, and events as long as they fit. n is at least 4.
func (s *Store) ThinRows(ctx context.Context, riseID int64, from, until time.Time, n int) ([]Row, error) {
	if n < 4 {
		return nil, fmt.Errorf("history: a thinned curve needs 4 points or more, got %d", n)
	}
	var all []Row
	for r, err := range s.Rows(ctx, riseID, from, until) {
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	return thin(all, n), nil
}

// thin returns at most n of the rows, in order.
func thin(rows []Row, n int) []Row {
	if len(rows) <= n {
		return rows
	}
	keep := map[int]bool{0: true, len(rows) - 1: true}
	for i, r := range rows {
		if r.Event != estimator.NoEvent && len(keep) < 2+(n-2)/2 {
			keep[i] = true
		}
	}
	start := rows[0].Time
	stretches := int64((n - len(keep)) / 2)
	span := int64(rows[len(rows)-1].Time.Sub(start)/time.Millisecond) + 1
	low, high := map[int64]int{}, map[int64]int{}
	for i, r := range rows {
		if math.IsNaN(r.RisePercent) || stretches == 0 {
			continue
		}
		at := r.Time.Sub(start).Milliseconds() * stretches / span
		if l, ok := low[at]; !ok || r.RisePercent < rows[l].RisePercent {
			low[at] = i
		}
		if h, ok := high[at]; !ok || r.RisePercent > rows[h].RisePercent {
			high[at] = i
		}
	}
	for at := range low {
		keep[low[at]], keep[high[at]] = true, true
	}
	var out []Row
	for i, r := range rows {
		if keep[i] {
			out = append(out, r)
		}
	}
	return out
}

// Forecast is what was said at one moment about when the dough is ready: the
// median and, from and until, the 10 % and 90 % quantiles.
type Forecast struct {
	RiseID int64
	At     time.Time // when it was said
	Ready  estimator.Window
}

// forecastColumns are the columns of a forecast.
const forecastColumns = "rise_id, at_ms, p10_ms, median_ms, p90_ms"

// fields are the columns of a forecast in the order of forecastColumns.
func (f *Forecast) fields() []any {
	return []any{&f.RiseID, instant(&f.At), instant(&f.Ready.From), instant(&f.Ready.Median), instant(&f.Ready.Until)}
}

// key is what tells forecasts apart.
func (f Forecast) key() forecastKey { return forecastKey{f.RiseID, f.At.UnixMilli()} }

// AppendForecast takes one forecast; it is written with the next commit. One
// every ten minutes is meant.
func (s *Store) AppendForecast(f Forecast) error {
	if f.RiseID <= 0 || f.At.IsZero() {
		return fmt.Errorf("history: a forecast needs a rise and a time, got id %d at %v", f.RiseID, f.At)
	}
	if len(s.pending.all()) > pendingMost/2 {
		return nil // the disk has taken nothing for days
	}
	return s.pending.add(recordOf(f.key(), f, upsertSQL("forecasts", "rise_id, at_ms", forecastColumns), f.fields()...))
}

// Forecasts returns what was forecast during a rise, in order of time, what waits
// for the disk included.
func (s *Store) Forecasts(ctx context.Context, riseID int64) ([]Forecast, error) {
	of := func(f Forecast) bool { return f.RiseID == riseID }
	waiting := overlay(&s.pending, nil, Forecast.key, of) // first: what moves to the file is seen twice
	out, err := selectAll(ctx, s, func(scan scanner) (f Forecast, err error) {
		err = scan(f.fields()...)
		return f, err
	}, "SELECT "+forecastColumns+" FROM forecasts WHERE rise_id = ?", riseID)
	out = append(out, waiting...)
	slices.SortStableFunc(out, func(a, b Forecast) int { return a.At.Compare(b.At) })
	return slices.CompactFunc(out, func(a, b Forecast) bool { return a.key() == b.key() }), err
}
