package history

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// salvage copies what can still be read of a file put aside into the fresh one,
// the most valuable tables first. It reads every table from both ends, so that a
// broken page costs what is on it and not all that comes after. It never fails:
// what it could not bring over is in the note, and the file itself is kept.
func (s *Store) salvage(ctx context.Context, from string) {
	old, err := openPool(ctx, dsn(from, reader, false, true), 1)
	if err != nil {
		s.note("Nothing could be read from %s: %v.", from, err)
		return
	}
	defer old.Close()
	var saved, broken []string
	for _, t := range tables() {
		if t == "meta" {
			continue
		}
		n, err := s.salvageTable(ctx, old, t)
		if n > 0 {
			saved = append(saved, fmt.Sprintf("%d %s", n, t))
		}
		if err != nil {
			broken = append(broken, t)
		}
	}
	if len(saved) > 0 {
		s.note("Brought over from %s: %s.", from, strings.Join(saved, ", "))
	}
	if len(broken) > 0 {
		s.note("Not all could be read of: %s.", strings.Join(broken, ", "))
	}
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

// salvageTable copies one table, forwards and, after a broken page, backwards.
func (s *Store) salvageTable(ctx context.Context, old *sql.DB, table string) (int64, error) {
	sh, err := shape(ctx, s.db.hard, table)
	if err != nil {
		return 0, err
	}
	n, err := s.salvagePass(ctx, old, table, sh, "")
	if err == nil {
		return n, nil
	}
	back, err2 := s.salvagePass(ctx, old, table, sh, " DESC")
	if err2 == nil {
		err = nil
	}
	return n + back, err
}

// salvagePass copies a table in one direction until the end or a broken page.
// The rows are committed in parts: what was read stays.
func (s *Store) salvagePass(ctx context.Context, old *sql.DB, table string, sh tableShape, dir string) (int64, error) {
	cols := strings.Join(sh.columns, ", ")
	order := strings.Join(sh.key, dir+", ") + dir
	rows, err := old.QueryContext(ctx, "SELECT "+cols+" FROM "+table+" ORDER BY "+order)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	insert := "INSERT OR IGNORE INTO " + table + " (" + cols + ") VALUES (" + strings.TrimSuffix(strings.Repeat("?,", len(sh.columns)), ",") + ")"
	var total int64
	for {
		n, more, err := s.salvagePart(ctx, rows, insert, len(sh.columns))
		total += n
		if err != nil || !more {
			return total, err
		}
	}
}

// salvagePart copies up to 5,000 rows in one transaction.
func (s *Store) salvagePart(ctx context.Context, rows *sql.Rows, insert string, columns int) (n int64, more bool, err error) {
	tx, err := s.db.hard.BeginTx(ctx, nil)
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
	for range 5000 {
		if more = rows.Next(); !more {
			break
		}
		if err := rows.Scan(dest...); err != nil {
			return 0, false, err
		}
		// A row that breaks a rule of the schema is damage too: it is left out.
		if res, err := stmt.ExecContext(ctx, values...); err == nil {
			k, _ := res.RowsAffected()
			n += k
		}
	}
	if err := tx.Commit(); err != nil {
		return 0, false, err
	}
	return n, more, rows.Err()
}
