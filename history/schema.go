package history

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"slices"
)

// schemaFiles holds the steps of the schema (0001_first.sql and so on: step n brings
// a file from version n-1 to n) and scripts beside: check.sql, clockstep.sql and restore.sql.
//
//go:embed schema/*.sql
var schemaFiles embed.FS

// tables lists all tables, those worth most first.
func tables() []string {
	return []string{"meta", "settings", "rises", "events", "alarms", "notifications",
		"forecasts", "photos", "samples"}
}

// script returns one of the embedded files.
func script(name string) string {
	text, err := schemaFiles.ReadFile(name)
	if err != nil {
		panic(err) // it is part of the program
	}
	return string(text)
}

// migrations returns the steps of the schema in order.
func migrations() []string {
	names, err := fs.Glob(schemaFiles, "schema/0*.sql") // sorted
	if err != nil {
		panic(err)
	}
	var steps []string
	for _, n := range names {
		steps = append(steps, script(n))
	}
	return steps
}

// schemaVersion returns the version of a file and refuses one of another program and
// one that a later version wrote. A new file has version 0.
func schemaVersion(ctx context.Context, db *sql.DB) (int, error) {
	var id, version, tables int
	err := db.QueryRowContext(ctx, "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema) FROM pragma_application_id, pragma_user_version").
		Scan(&id, &version, &tables)
	switch known := len(migrations()); {
	case err != nil:
		return 0, err
	case id != applicationID && (id != 0 || tables > 0):
		return 0, foreign("the file is a database of another program (application id %#x, expected %#x)", id, applicationID)
	case version > known:
		return 0, unusable{"newer", fmt.Sprintf("the database has schema version %d, this program knows up to %d; use a newer tidemark", version, known)}
	}
	return version, nil
}

// current refuses a file that does not have the newest schema, wholly as this
// program makes it.
func current(ctx context.Context, db *sql.DB) error {
	version, err := schemaVersion(ctx, db)
	if known := len(migrations()); err == nil && version < known {
		err = fmt.Errorf("the database has the old schema version %d, expected %d; start the service once to bring it up to date", version, known)
	}
	if err != nil {
		return err
	}
	return checkShape(ctx, db, version)
}

// upgrade checks that a file is as this program made it for its version and
// brings it to the newest schema.
func upgrade(ctx context.Context, db *sql.DB) error {
	version, err := schemaVersion(ctx, db)
	if err == nil && version > 0 {
		err = checkShape(ctx, db, version)
	}
	if err != nil {
		return err
	}
	return migrate(ctx, db, version, len(migrations()))
}

// migrate takes the steps from one version to another, each in a transaction of its
// own together with the version number.
func migrate(ctx context.Context, db *sql.DB, from, to int) error {
	for version := from; version < to; version++ {
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, migrations()[version])
		if err == nil {
			_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d; PRAGMA application_id = %d", version+1, applicationID))
		}
		if err != nil {
			_ = tx.Rollback()
			return fmt.Errorf("bring the database from schema %d to %d: %w", version, version+1, err)
		}
		if err := tx.Commit(); err != nil {
			return err
		}
	}
	return nil
}

// checkShape refuses a file in which anything is made otherwise than this program
// makes it for a version: triggers, views, virtual tables and expressions in it would
// run when we read or write, whatever their name.
func checkShape(ctx context.Context, db *sql.DB, version int) error {
	ours, err := openPool(ctx, ":memory:", 1, nil)
	if err != nil {
		return err
	}
	defer ours.Close()
	if err := migrate(ctx, ours, 0, version); err != nil {
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
	for i, how := range found {
		if !slices.Contains(want, how) || slices.Contains(found[:i], how) {
			return foreign("%q in it is not as tidemark makes it; take a file that tidemark wrote", how.kind+" "+how.name)
		}
	}
	for _, how := range want {
		if !slices.Contains(found, how) {
			return foreign("it lacks the %s %s; take a file that tidemark wrote", how.kind, how.name)
		}
	}
	return nil
}

// thing is something that was created in a file.
type thing struct{ kind, name, table, how string }

// made returns what was created in a file.
func made(ctx context.Context, db *sql.DB) ([]thing, error) {
	return selectIn(ctx, db, func(scan scanner) (t thing, err error) {
		err = scan(&t.kind, &t.name, &t.table, &t.how)
		return t, err
	}, "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema LIMIT 1000")
}

// checkContent refuses a file of the newest schema with lines that this program would
// not have written.
func checkContent(ctx context.Context, db *sql.DB) error {
	found, err := selectIn(ctx, db, scanText, script("schema/check.sql"))
	if err == nil && len(found) > 0 {
		err = foreign("%s; take a file that tidemark wrote", found[0])
	}
	return err
}
