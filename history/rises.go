package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"tidemark/estimator"
)

const riseColumns = `id, vessel, holds, started_ms, ended_ms, baseline_l, baseline_sd_l, target_percent,
 reached_ms, peak_percent, peak_ms, mean_dough_c, max_rate, ceiling_percent, phase, phase_since_ms,
 equiv_hours, peak_equiv_hours, reached_equiv_hours, batch, outcome, oven_spring, note, demo, imported`

// riseValues are the columns of a rise in the order of riseColumns.
func riseValues(r Rise) []any {
	var id any
	if r.ID != 0 {
		id = r.ID
	}
	var batch any
	if r.Batch != nil {
		batch = r.Batch
	}
	return []any{id, r.Vessel, string(r.Holds), r.StartedAt.UnixMilli(), ms(r.EndedAt), number(r.BaselineL),
		number(r.BaselineSDL), number(r.TargetPercent), ms(r.ReachedAt), number(r.PeakPercent), ms(r.PeakAt),
		number(r.MeanDoughC), number(r.MaxRate), number(r.CeilingPct), string(r.Phase), ms(r.PhaseSince),
		number(r.EquivHours), number(r.PeakEquivHours), number(r.ReachedEquivHours), batch, r.Outcome,
		r.OvenSpring, r.Note, r.Demo, r.Imported}
}

// scanRise reads one line with riseColumns.
func scanRise(scan func(dest ...any) error) (Rise, error) {
	var r Rise
	var holds, phase string
	var started, ended, reached, peak, since sql.NullInt64
	var base, baseSD, target, peakPct, mean, rate, ceiling, equiv, peakEquiv, reachedEquiv sql.NullFloat64
	err := scan(&r.ID, &r.Vessel, &holds, &started, &ended, &base, &baseSD, &target, &reached, &peakPct, &peak,
		&mean, &rate, &ceiling, &phase, &since, &equiv, &peakEquiv, &reachedEquiv, &r.Batch, &r.Outcome,
		&r.OvenSpring, &r.Note, &r.Demo, &r.Imported)
	r.Holds, r.Phase = estimator.Holds(holds), estimator.Phase(phase)
	r.StartedAt, r.EndedAt, r.ReachedAt, r.PeakAt, r.PhaseSince = fromMS(started), fromMS(ended), fromMS(reached), fromMS(peak), fromMS(since)
	r.BaselineL, r.BaselineSDL, r.TargetPercent = fromNumber(base), fromNumber(baseSD), fromNumber(target)
	r.PeakPercent, r.MeanDoughC, r.MaxRate, r.CeilingPct = fromNumber(peakPct), fromNumber(mean), fromNumber(rate), fromNumber(ceiling)
	r.EquivHours, r.PeakEquivHours, r.ReachedEquivHours = fromNumber(equiv), fromNumber(peakEquiv), fromNumber(reachedEquiv)
	return r, err
}

// insertRiseSQL inserts a rise; the marks match riseColumns.
func insertRiseSQL() string {
	return "INSERT INTO rises (" + riseColumns + ") VALUES (" + strings.Repeat("?,", strings.Count(riseColumns, ",")) + "?)"
}

// upsertRise writes a rise. Of one that exists, the judgement stays as it is:
// that belongs to people. A batch once known is not wiped by an unknown one.
func upsertRise(ctx context.Context, tx *sql.Tx, r Rise) error {
	const keep = " ON CONFLICT (id) DO UPDATE SET "
	var set []string
	for _, c := range strings.Split(riseColumns, ",") {
		switch c = strings.TrimSpace(c); c {
		case "id", "outcome", "oven_spring", "note":
		case "batch":
			set = append(set, "batch = coalesce(excluded.batch, batch)")
		default:
			set = append(set, c+" = excluded."+c)
		}
	}
	_, err := tx.ExecContext(ctx, insertRiseSQL()+keep+strings.Join(set, ", "), riseValues(r)...)
	return err
}

// checkRise refuses what could not be found again.
func checkRise(r Rise) error {
	if r.Vessel == "" || r.StartedAt.IsZero() {
		return fmt.Errorf("history: a rise needs a vessel and a start, got %q at %v", r.Vessel, r.StartedAt)
	}
	return checkOutcome(r.Outcome)
}

// checkStored is checkRise for one that has its number.
func checkStored(r Rise) error {
	if r.ID <= 0 {
		return fmt.Errorf("history: update of a rise needs its id, got %d", r.ID)
	}
	return checkRise(r)
}

// checkOutcome refuses an unknown outcome.
func checkOutcome(o string) error {
	if !slices.Contains([]string{"", "under", "right", "over"}, o) {
		return fmt.Errorf("history: outcome %q is not known; use under, right, over or leave it empty", o)
	}
	return nil
}

// BeginRise stores a new rise and returns its id. When the disk refuses, the
// rise is held in memory under an id that stays its own; Health tells.
func (s *Store) BeginRise(ctx context.Context, r Rise) (int64, error) {
	if err := checkRise(r); err != nil {
		return 0, err
	}
	r.ID = 0
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, insertRiseSQL(), riseValues(r)...)
		if err != nil {
			return err
		}
		r.ID, err = res.LastInsertId()
		return err
	})
	if isRefusal(err) {
		r.ID = s.freshID(ctx, "rises")
		put(&s.held, &s.held.rises, r.ID, r)
		return r.ID, nil
	}
	return r.ID, err
}

// UpdateRise stores the state of a rise: all but its judgement, which JudgeRise
// writes. It costs a write of the disk, so call it when something changed (phase,
// baseline, mark reached), not with every reading. When the disk refuses, the
// state is held in memory and Health tells.
func (s *Store) UpdateRise(ctx context.Context, r Rise) error {
	return s.saveRise(ctx, r, func(*sql.Tx) error { return nil })
}

// saveRise stores the state of a rise and does more in the same transaction.
func (s *Store) saveRise(ctx context.Context, r Rise, more func(tx *sql.Tx) error) error {
	if err := checkStored(r); err != nil {
		return err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.writeLocked(ctx, func(tx *sql.Tx) error {
		if err := upsertRise(ctx, tx, r); err != nil {
			return err
		}
		return more(tx)
	})
	if isRefusal(err) {
		put(&s.held, &s.held.rises, r.ID, r)
		return nil // Maintain rolls an ended one up later
	}
	if err == nil {
		drop(&s.held, &s.held.rises, r.ID)
	}
	return err
}

// EndRise writes the samples waiting and the final state of a rise, rolls its
// samples up, and takes mean temperature and growth times from them. EndedAt must
// be set.
func (s *Store) EndRise(ctx context.Context, r Rise) error {
	if r.EndedAt.IsZero() {
		return errors.New("history: the end of a rise needs a time")
	}
	return s.saveRise(ctx, r, func(tx *sql.Tx) error { return s.closeIn(ctx, tx, r.ID) })
}

// closeIn writes the waiting samples of a rise and rolls them up. The samples wait on
// with those of the other rises, which are not written now; written again they change
// nothing.
func (s *Store) closeIn(ctx context.Context, tx *sql.Tx, id int64) error {
	if err := insertRows(ctx, tx, s.buf.ofRise(id)); err != nil {
		return err
	}
	return rollUpIn(ctx, tx, id)
}

// reopenSQL makes a rise one under way.
const reopenSQL = "UPDATE rises SET ended_ms = NULL, rolled = 0 WHERE id = ?"

// ReopenRise takes an end back: the rise is under way again.
func (s *Store) ReopenRise(ctx context.Context, id int64) error {
	return s.changeRise(ctx, id, reopenSQL, id)
}

// JudgeRise stores what a person thought of the result.
func (s *Store) JudgeRise(ctx context.Context, id int64, j Judgement) error {
	if err := checkOutcome(j.Outcome); err != nil {
		return err
	}
	return s.changeRise(ctx, id, "UPDATE rises SET outcome = ?, oven_spring = ?, note = ? WHERE id = ?",
		j.Outcome, j.OvenSpring, j.Note, id)
}

// changeRise runs one statement on one rise that must exist.
func (s *Store) changeRise(ctx context.Context, id int64, query string, args ...any) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("%w: rise %d", ErrNotFound, id))
		}
		return nil
	})
}

// DeleteRise removes a rise and everything that belongs to it. It is for the service: of a
// guest's deletion the service would not know, and bring back the samples that wait.
func (s *Store) DeleteRise(ctx context.Context, id int64) error {
	if err := s.Flush(ctx); err != nil && !isRefusal(err) { // what waits must not come after
		return err
	}
	drop(&s.held, &s.held.rises, id)
	return s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, "DELETE FROM rises WHERE id = ?", id)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("%w: rise %d", ErrNotFound, id))
		}
		_, err = tx.ExecContext(ctx, "DELETE FROM letters WHERE alarm_id IN (SELECT id FROM alarms WHERE rise_id = ?)", id)
		if err != nil {
			return err
		}
		for _, t := range []string{"samples", "rollups", "forecasts", "acts", "processes", "alarms", "photos"} {
			if _, err := tx.ExecContext(ctx, "DELETE FROM "+t+" WHERE rise_id = ?", id); err != nil {
				return err
			}
		}
		return nil
	})
}

// Rise returns one rise, or ErrNotFound.
func (s *Store) Rise(ctx context.Context, id int64) (Rise, error) {
	if r, ok := get(&s.held, &s.held.rises, id); ok {
		return r, nil
	}
	var r Rise
	err := s.query(func(db *sql.DB) (err error) {
		r, err = scanRise(db.QueryRowContext(ctx, "SELECT "+riseColumns+" FROM rises WHERE id = ?", id).Scan)
		return err
	})
	if errors.Is(err, sql.ErrNoRows) {
		return Rise{}, fmt.Errorf("%w: rise %d", ErrNotFound, id)
	}
	return r, err
}

// OpenRises returns the rises under way, oldest first.
func (s *Store) OpenRises(ctx context.Context) ([]Rise, error) {
	rises, err := s.selectRises(ctx, "WHERE ended_ms IS NULL ORDER BY id")
	if err != nil {
		return nil, err
	}
	rises = s.overlay(rises)
	return slices.DeleteFunc(rises, func(r Rise) bool { return !r.UnderWay() }), nil
}
