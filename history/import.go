package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
)

// ErrExists says that the rise is in the history already.
var ErrExists = errors.New("history: the rise is there already")

// ImportRise stores a rise that ended, with its samples, in one transaction: all of
// it or nothing. Of samples closer than 10 s the first counts, events always. When
// there is a rise of the same vessel at that time, it is refused with ErrExists and
// the other's id.
func (s *Store) ImportRise(ctx context.Context, r Rise, rows iter.Seq2[Row, error]) (int64, error) {
	if err := checkRise(r); err != nil {
		return 0, err
	}
	if r.UnderWay() {
		return 0, errors.New("history: only a rise that ended can be imported")
	}
	r.ID, r.Imported = 0, true
	err := s.write(ctx, func(tx *sql.Tx) error {
		var there int64
		err := tx.QueryRowContext(ctx, "SELECT id FROM rises WHERE vessel = ? AND started_ms < ? AND coalesce(ended_ms, ?) > ? ORDER BY started_ms LIMIT 1",
			r.Vessel, r.EndedAt.UnixMilli(), s.opt.Now().UnixMilli(), r.StartedAt.UnixMilli()).Scan(&there)
		if err == nil {
			return fmt.Errorf("%w: vessel %s, start %s, rise %d", ErrExists, r.Vessel, r.StartedAt, there)
		}
		if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		res, err := tx.ExecContext(ctx, insertRiseSQL(), riseValues(r)...)
		if err != nil {
			return err
		}
		if r.ID, err = res.LastInsertId(); err != nil {
			return err
		}
		return importRows(ctx, tx, r.ID, rows)
	})
	if err != nil {
		return 0, err
	}
	return r.ID, s.rollUp(ctx, r.ID)
}

// importRows stores samples as they come, at most one in ten seconds.
func importRows(ctx context.Context, tx *sql.Tx, id int64, rows iter.Seq2[Row, error]) error {
	const apartMS = 10_000
	var batch []RiseRow
	last := int64(-1 << 62)
	for row, err := range rows {
		if err != nil {
			return err
		}
		at := row.Time.UnixMilli()
		if at-last < apartMS && row.Event == "" {
			continue
		}
		last = at
		if batch = append(batch, RiseRow{id, row}); len(batch) == 10*rowsPerStatement {
			if err := insertRows(ctx, tx, batch); err != nil {
				return err
			}
			batch = batch[:0]
		}
	}
	return insertRows(ctx, tx, batch)
}
