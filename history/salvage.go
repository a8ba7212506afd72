package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// salvage copies what can still be read of a file put aside into the fresh one,
// the most valuable tables first; what that lacks comes from the newest backup. It
// never fails: what it could not bring over is in the note, and the file is kept.
func (s *Store) salvage(ctx context.Context, from string) {
	defer s.adoptOrphans(ctx)
	old, err := openPool(ctx, dsn(from, reader, false, true), 1)
	if err != nil {
		s.note("Nothing could be read from %s: %v.", from, err)
	} else {
		saved, broken := s.copyAll(ctx, old)
		_ = old.Close() // it was only read
		if saved != "" {
			s.note("Brought over from %s: %s.", from, saved)
		}
		if broken == "" {
			return
		}
		s.note("Not all could be read of: %s.", broken)
	}
	s.fillFromBackup(ctx)
}

// adoptOrphansSQL makes a rise of samples whose rise was lost, so that they can be
// seen and their number is not given to another one.
const adoptOrphansSQL = `INSERT INTO rises (id, vessel, holds, started_ms, ended_ms, peak_percent, phase, note)
 SELECT rise_id, 'recovered', 'dough', min(t_ms), max(t_ms), max(rise_mpct) / 1000.0, 'ended',
  'Recovered from the samples of a damaged file; vessel and details are lost.'
 FROM samples WHERE rise_id NOT IN (SELECT id FROM rises) GROUP BY rise_id`

// adoptOrphans gives samples without a rise one of their own.
func (s *Store) adoptOrphans(ctx context.Context) {
	res, err := s.db.hard.ExecContext(ctx, adoptOrphansSQL)
	if err != nil {
		s.note("Samples whose rise is lost could not be given one: %v.", err)
		return
	}
	if n, _ := res.RowsAffected(); n > 0 {
		s.note("%d rises were lost but for their samples; they are listed under the vessel %q.", n, "recovered")
	}
}

// fillFromBackup brings over what only the newest backup still has.
func (s *Store) fillFromBackup(ctx context.Context) {
	if s.opt.Backups == "" {
		return
	}
	files, err := backups(s.opt.Backups)
	if err != nil || len(files) == 0 {
		return
	}
	newest := files[len(files)-1]
	old, err := openPool(ctx, fileURI(newest)+"?mode=ro&immutable=1", 1)
	if err != nil {
		s.note("The backup %s could not be read: %v.", newest, err)
		return
	}
	defer old.Close()
	if saved, _ := s.copyAll(ctx, old); saved != "" {
		s.note("Filled up from the backup %s: %s.", newest, saved)
	}
}

// copyAll copies every table; what the fresh file has already stays. It says what
// was copied and which tables could not be read in full.
func (s *Store) copyAll(ctx context.Context, old *sql.DB) (saved, broken string) {
	var good, bad []string
	for _, t := range tables() {
		if t == "meta" {
			continue
		}
		n, err := copyTable(ctx, old, s.db.hard, copying{table: t})
		if n > 0 {
			good = append(good, fmt.Sprintf("%d %s", n, t))
		}
		if err != nil {
			bad = append(bad, t)
		}
	}
	return strings.Join(good, ", "), strings.Join(bad, ", ")
}

// copying says what to copy of a table.
type copying struct {
	table   string
	where   string // empty: all
	replace bool   // what is there gives way; otherwise it stays
}

// tableShape is the key of a table and its columns, as the fresh file has them.
type tableShape struct {
	columns []string
	key     []string
}

// shape reads the shape of a table.
func shape(ctx context.Context, db *sql.DB, table string) (tableShape, error) {
	rows, err := db.QueryContext(ctx, "SELECT name, pk FROM pragma_table_info(?) ORDER BY cid", table)
	if err != nil {
		return tableShape{}, err
	}
	defer rows.Close()
	var sh tableShape
	keys := make(map[int]string)
	for rows.Next() {
		var name string
		var pk int
		if err := rows.Scan(&name, &pk); err != nil {
			return tableShape{}, err
		}
		sh.columns = append(sh.columns, name)
		if pk > 0 {
			keys[pk] = name
		}
	}
	for i := 1; i <= len(keys); i++ {
		sh.key = append(sh.key, keys[i])
	}
	return sh, rows.Err()
}

// copyTable copies a table, forwards and, after a broken page, backwards: a broken
// page costs what is on it and not all that comes after.
func copyTable(ctx context.Context, from, to *sql.DB, c copying) (int64, error) {
	sh, err := shape(ctx, to, c.table)
	if err != nil {
		return 0, err
	}
	n, err := copyPass(ctx, from, to, c, sh, "")
	if err == nil {
		return n, nil
	}
	back, err2 := copyPass(ctx, from, to, c, sh, " DESC")
	if err2 == nil {
		err = nil
	}
	return n + back, err
}

// copyPass copies a table in one direction until the end or a broken page. The
// rows are committed in parts: what was read stays.
func copyPass(ctx context.Context, from, to *sql.DB, c copying, sh tableShape, dir string) (int64, error) {
	cols := strings.Join(sh.columns, ", ")
	order := strings.Join(sh.key, dir+", ") + dir
	rows, err := from.QueryContext(ctx, "SELECT "+cols+" FROM "+c.table+" "+c.where+" ORDER BY "+order)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	verb := "INSERT OR IGNORE"
	if c.replace {
		verb = "INSERT OR REPLACE"
	}
	insert := verb + " INTO " + c.table + " (" + cols + ") VALUES (" + strings.TrimSuffix(strings.Repeat("?,", len(sh.columns)), ",") + ")"
	var total int64
	for {
		n, more, err := copyPart(ctx, rows, to, insert, len(sh.columns))
		total += n
		if err != nil || !more {
			return total, err
		}
	}
}

// copyPart copies up to 5,000 rows in one transaction.
func copyPart(ctx context.Context, rows *sql.Rows, to *sql.DB, insert string, columns int) (n int64, more bool, err error) {
	tx, err := to.BeginTx(ctx, nil)
	if err != nil {
		return 0, false, err
	}
	defer tx.Rollback()
	stmt, err := tx.PrepareContext(ctx, insert)
	if err != nil {
		return 0, false, err
	}
	defer stmt.Close()
	values, dest := make([]any, columns), make([]any, columns)
	for i := range values {
		dest[i] = &values[i]
	}
	var scanErr error
	for range 5000 {
		if more = rows.Next(); !more {
			break
		}
		if scanErr = rows.Scan(dest...); scanErr != nil {
			break
		}
		res, err := stmt.ExecContext(ctx, values...)
		switch {
		case isRefusal(err):
			return 0, false, err
		case err == nil:
			k, _ := res.RowsAffected()
			n += k
		}
		// Otherwise the row breaks a rule of the schema, which is damage: it is left out.
	}
	if err := tx.Commit(); err != nil {
		return 0, false, err
	}
	return n, more, errors.Join(scanErr, rows.Err())
}
