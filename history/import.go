package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"strings"
	"unicode"
	"unicode/utf8"
)

// ErrExists says that the rise is in the history already.
var ErrExists = errors.New("history: the rise is there already")

// ImportRise stores a rise that ended, with its samples, in one transaction: all of
// it or nothing. Of samples closer than 10 s the first counts, events always. When
// there is a rise of the same vessel at that time, it is refused with ErrExists and
// the other's id.
func (s *Store) ImportRise(ctx context.Context, r Rise, rows iter.Seq2[Row, error]) (int64, error) {
	if err := errors.Join(checkRise(r), checkName(r.Vessel)); err != nil {
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
		if err := importRows(ctx, tx, r.ID, rows); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, summarySQL, sql.Named("id", r.ID))
		return err
	})
	return r.ID, err
}

// nameMost is the longest name of a vessel, in bytes.
const nameMost = 200

// checkName refuses a name that does not show as it is written.
func checkName(name string) error {
	odd := func(r rune) bool { return !unicode.IsPrint(r) }
	if i := strings.IndexFunc(name, odd); i >= 0 || !utf8.ValidString(name) || len(name) > nameMost {
		return fmt.Errorf("history: the name %.40q holds characters that cannot be seen, or is longer than %d bytes", name, nameMost)
	}
	return nil
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
