package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// checkShape refuses a file whose tables are not those that this program made for
// its version. A file from elsewhere could bring triggers and views along that run
// when we write.
func checkShape(ctx context.Context, db *sql.DB, steps []string) error {
	ours, err := openPool(ctx, "file::memory:", 1)
	if err != nil {
		return err
	}
	defer ours.Close()
	if err := migrate(ctx, ours, steps); err != nil {
		return err
	}
	want, err := made(ctx, ours)
	if err != nil {
		return err
	}
	found, err := made(ctx, db)
	if err != nil {
		return err
	}
	for name, sql := range found {
		if want[name] != sql {
			return fmt.Errorf("%s in it is not as tidemark makes it; take a file that tidemark wrote", name)
		}
		delete(want, name)
	}
	for name := range want {
		return fmt.Errorf("it lacks the %s; take a file that tidemark wrote", name)
	}
	return nil
}

// made reads what was created in a file: its kind and name, and how.
func made(ctx context.Context, db *sql.DB) (map[string]string, error) {
	rows, err := db.QueryContext(ctx, "SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\' LIMIT 1000")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var kind, name, sql string
		if err := rows.Scan(&kind, &name, &sql); err != nil {
			return nil, err
		}
		out[kind+" "+name] = sql
	}
	if len(out) == 0 {
		return nil, errors.Join(errors.New("it holds no tables"), rows.Err())
	}
	return out, rows.Err()
}
