package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// riseRow is a sample with the rise it belongs to.
type riseRow struct {
	RiseID int64
	Row    bake.Recorded
}

// samples is how samples are stored. A second one of the same rise and millisecond takes
// the place of the first but keeps its event.
func samples() table[riseRow] {
	return table[riseRow]{name: "samples", key: "rise_id, t_ms", keep: "event", also: "event = coalesce(excluded.event, event)",
		columns: "rise_id, t_ms, distance_um, dough_mc, air_mc, rise_mpct, sd_mpct, equiv_mh, rejected, event",
		fields: func(x *riseRow) []any {
			r := &x.Row
			return []any{&x.RiseID, instant(&r.Time), thousandth(&r.DistanceMM), thousandth(&r.DoughC), thousandth(&r.AirC), thousandth(&r.RisePercent),
				thousandth(&r.RiseSD), thousandth(&r.EquivHours), orNull(&r.Rejected), orNull((*string)(&r.Event))}
		}}
}

// AppendRow takes one sample of a rise. It does not wait: the sample is written
// with the next commit, at once when it carries an event. A second row of the
// same rise and millisecond replaces the first but keeps its event. The caller
// thins: about one row per 10 s is meant.
func (s *Store) AppendRow(riseID int64, r bake.Recorded) error {
	if riseID <= 0 {
		return fmt.Errorf("history: a sample needs a rise, got id %d", riseID)
	}
	if r.Time.IsZero() {
		return errors.New("history: a sample needs a time")
	}
	s.pending.addRow(samples().record(riseRow{riseID, r}))
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
	if rows, others, _ := s.pending.counts(); rows+others == 0 {
		s.change(func() {
			if !s.health.InMemory {
				s.health.LastCommit = s.opt.Now()
			}
		})
		return nil
	}
	return s.writeLocked(ctx, func(*sql.Tx) error { return nil })
}

// flusher is the regular writer, until ctx ends. Its first passes come 5, 10, 20 and 40 s after the
// start: a process that dies again and again leaves something each time.
func (s *Store) flusher(ctx context.Context) {
	early := []time.Duration{5 * time.Second, 5 * time.Second, 10 * time.Second, 20 * time.Second}
	timer := time.NewTimer(min(early[0], s.opt.FlushEvery))
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
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
		if err := s.Flush(context.WithoutCancel(ctx)); err != nil {
			waiting, _, _ := s.pending.counts()
			s.opt.Log.Error("history: samples are not reaching the disk", "error", err, "waiting", waiting)
		}
	}
}

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

// Rows returns the samples of a rise in [from, until) in order of time, what waits for
// the disk included; a zero bound does not restrict.
func (s *Store) Rows(ctx context.Context, riseID int64, from, until time.Time) ([]bake.Recorded, error) {
	lo, hi := bounds(from, until)
	all := waiting[riseRow](&s.pending) // first: what moves to the file meanwhile is seen twice, not never
	all = slices.DeleteFunc(all, func(r riseRow) bool {
		return r.RiseID != riseID || r.Row.Time.UnixMilli() < lo || r.Row.Time.UnixMilli() >= hi
	})
	stored, err := samples().stored(ctx, s, "WHERE rise_id = ? AND t_ms >= ? AND t_ms < ? ORDER BY t_ms", riseID, lo, hi)
	if err != nil {
		return nil, fmt.Errorf("read the samples of rise %d: %w", riseID, err)
	}
	all = append(stored, all...)
	slices.SortStableFunc(all, func(a, b riseRow) int { return cmp.Compare(a.Row.Time.UnixMilli(), b.Row.Time.UnixMilli()) })
	all = slices.CompactFunc(all, func(a, b riseRow) bool { return a.Row.Time.UnixMilli() == b.Row.Time.UnixMilli() })
	rows := make([]bake.Recorded, len(all))
	for i, r := range all {
		rows[i] = r.Row
	}
	return rows, nil
}

// Record returns the samples of a rise with what was done among them, in order of time,
// as a record of it is written: an event that reaches the dough stands at the sample of
// its moment or is a line of its own. What was undone is left out.
func (s *Store) Record(ctx context.Context, riseID int64) ([]bake.Recorded, error) {
	events, err := s.Events(ctx, riseID)
	if err != nil {
		return nil, err
	}
	rows, err := s.Rows(ctx, riseID, time.Time{}, time.Time{})
	for _, e := range events {
		what := e.ToDough()
		if what == estimator.NoEvent || what == estimator.Look || e.Undone() {
			continue
		}
		i, there := slices.BinarySearchFunc(rows, e.At, func(r bake.Recorded, at time.Time) int { return r.Time.Compare(at) })
		if !there || rows[i].Event != estimator.NoEvent && rows[i].Event != what {
			nan := math.NaN()
			rows = slices.Insert(rows, i, bake.Recorded{Time: e.At, DistanceMM: nan, DoughC: nan, AirC: nan, RisePercent: nan, RiseSD: nan, EquivHours: nan})
		}
		rows[i].Event = what
	}
	return rows, err
}

// ThinRows returns about n samples of a rise in [from, until) for a chart: the first, the
// last, every so many between them, and those with an event.
func (s *Store) ThinRows(ctx context.Context, riseID int64, from, until time.Time, n int) ([]bake.Recorded, error) {
	if n < 4 {
		return nil, fmt.Errorf("history: a thinned curve needs 4 points or more, got %d", n)
	}
	all, err := s.Rows(ctx, riseID, from, until)
	every, i := max(1, (len(all)+n-1)/n), -1
	return slices.DeleteFunc(all, func(r bake.Recorded) bool {
		i++
		return i%every != 0 && i != len(all)-1 && r.Event == estimator.NoEvent
	}), err
}

// Forecast is what was said at one moment about when the dough is ready: the
// median and, from and until, the 10 % and 90 % quantiles.
type Forecast struct {
	RiseID int64
	At     time.Time // when it was said
	Ready  estimator.Window
}

// forecasts is how forecasts are stored.
func forecasts() table[Forecast] {
	type key struct{ riseID, atMS int64 }
	return table[Forecast]{name: "forecasts", columns: "rise_id, at_ms, p10_ms, median_ms, p90_ms", key: "rise_id, at_ms",
		fields: func(f *Forecast) []any {
			return []any{&f.RiseID, instant(&f.At), instant(&f.Ready.From), instant(&f.Ready.Median), instant(&f.Ready.Until)}
		},
		id: func(f Forecast) any { return key{f.RiseID, f.At.UnixMilli()} }}
}

// AppendForecast takes one forecast; it is written with the next commit. One
// every ten minutes is meant.
func (s *Store) AppendForecast(f Forecast) error {
	if f.RiseID <= 0 || f.At.IsZero() {
		return fmt.Errorf("history: a forecast needs a rise and a time, got id %d at %v", f.RiseID, f.At)
	}
	if _, others, _ := s.pending.counts(); others > pendingMost/2 {
		return nil // the disk has taken nothing for days
	}
	return s.pending.add(forecasts().record(f))
}

// Forecasts returns what was forecast during a rise, in order of time, what waits
// for the disk included.
func (s *Store) Forecasts(ctx context.Context, riseID int64) ([]Forecast, error) {
	out, err := forecasts().read(ctx, s, func(f Forecast) bool { return f.RiseID == riseID }, "WHERE rise_id = ?", riseID)
	slices.SortFunc(out, func(a, b Forecast) int { return a.At.Compare(b.At) })
	return out, err
}
