package history

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"sort"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// migrations returns the schema steps in order: step n brings the file from
// version n to n+1.
func migrations() ([]string, error) {
	names, err := fs.Glob(schemaFiles, "schema/*.sql")
	if err != nil {
		return nil, err
	}
	sort.Strings(names)
	steps := make([]string, 0, len(names))
	for _, n := range names {
		text, err := schemaFiles.ReadFile(n)
		if err != nil {
			return nil, err
		}
		steps = append(steps, string(text))
	}
	return steps, nil
}

// newerError says that the file was written by a later version of the program.
type newerError struct{ found, known int }

func (e newerError) Error() string {
	return fmt.Sprintf("the database has schema version %d, this program knows up to %d; use a newer tidemark", e.found, e.known)
}

// foreignError says that the file is a database of some other program.
type foreignError struct{ id int64 }

func (e foreignError) Error() string {
	return fmt.Sprintf("the file is a database of another program (application id %#x, expected %#x)", e.id, applicationID)
}

// schemaVersion reads the version of the file and checks that it is ours. A new
// file has version 0.
func schemaVersion(ctx context.Context, db *sql.DB) (int, error) {
	var id int64
	var version, tables int
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return 0, err
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return 0, err
	}
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	if id != applicationID && (id != 0 || tables > 0) {
		return 0, foreignError{id}
	}
	return version, nil
}

// migrate brings the file to the newest schema, each step in a transaction of
// its own together with the version number.
func migrate(ctx context.Context, db *sql.DB, steps []string) error {
	version, err := schemaVersion(ctx, db)
	if err != nil {
		return err
	}
	if version > len(steps) {
		return newerError{version, len(steps)}
	}
	for ; version < len(steps); version++ {
		if err := migrateOne(ctx, db, version, steps[version]); err != nil {
			return fmt.Errorf("bring the database from schema %d to %d: %w", version, version+1, err)
		}
	}
	return nil
}

// migrateOne runs one step.
func migrateOne(ctx context.Context, db *sql.DB, version int, step string) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	// Another process may have been faster.
	var now int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&now); err != nil {
		return err
	}
	if now != version {
		return nil
	}
	if _, err := tx.ExecContext(ctx, step); err != nil {
		return err
	}
	set := fmt.Sprintf("PRAGMA user_version = %d; PRAGMA application_id = %d", version+1, applicationID)
	if _, err := tx.ExecContext(ctx, set); err != nil {
		return err
	}
	return tx.Commit()
}
