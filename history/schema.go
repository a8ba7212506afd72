package history

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"sort"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// tables lists all tables, those worth most first.
func tables() []string {
	return []string{"meta", "settings", "rises", "events", "processes", "alarms", "notifications",
		"forecasts", "photos", "samples"}
}

// ofRises are the tables whose lines belong to a rise.
func ofRises() []string {
	return []string{"samples", "forecasts", "events", "processes", "alarms", "photos"}
}

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

// foreignError says that the file is not one that tidemark made.
type foreignError struct{ why string }

func (e foreignError) Error() string { return e.why }

// damageError says that the file is broken.
type damageError struct{ found string }

func (e damageError) Error() string { return e.found }

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
		return 0, foreignError{fmt.Sprintf("the file is a database of another program (application id %#x, expected %#x)", id, applicationID)}
	}
	return version, nil
}

// upgrade checks that a file is as this program made it for its version and
// brings it to the newest schema.
func upgrade(ctx context.Context, db *sql.DB) error {
	steps, err := migrations()
	if err != nil {
		return err
	}
	version, err := schemaVersion(ctx, db)
	switch {
	case err != nil:
		return err
	case version > len(steps):
		return newerError{version, len(steps)}
	case version > 0:
		if err := checkShape(ctx, db, steps[:version]); err != nil {
			return err
		}
	}
	return migrate(ctx, db, steps)
}

// migrate brings the file to the newest schema, each step in a transaction of
// its own together with the version number.
func migrate(ctx context.Context, db *sql.DB, steps []string) error {
	version, err := schemaVersion(ctx, db)
	if err != nil {
		return err
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

// schemaOf returns how everything is made that these steps make.
func schemaOf(ctx context.Context, steps []string) (map[string]string, error) {
	db, err := openPool(ctx, "file::memory:", 1)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	if err := migrate(ctx, db, steps); err != nil {
		return nil, err
	}
	return made(ctx, db)
}

// checkShape refuses a file in which anything is made otherwise than these steps
// make it: triggers, views, virtual tables and expressions in it would run when
// we read or write, whatever their name.
func checkShape(ctx context.Context, db *sql.DB, steps []string) error {
	want, err := schemaOf(ctx, steps)
	if err != nil {
		return err
	}
	found, err := made(ctx, db)
	if err != nil {
		return err
	}
	for name, how := range found {
		if ours, ok := want[name]; !ok || ours != how {
			return foreignError{fmt.Sprintf("%q in it is not as tidemark makes it; take a file that tidemark wrote", name)}
		}
	}
	for name := range want {
		if _, ok := found[name]; !ok {
			return foreignError{fmt.Sprintf("it lacks the %s; take a file that tidemark wrote", name)}
		}
	}
	return nil
}

// made reads what was created in a file: its kind, name and table, and how.
func made(ctx context.Context, db *sql.DB) (map[string]string, error) {
	rows, err := db.QueryContext(ctx, "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema LIMIT 1000")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var kind, name, table, how string
		if err := rows.Scan(&kind, &name, &table, &how); err != nil {
			return nil, err
		}
		if _, twice := out[kind+" "+name]; twice {
			return nil, foreignError{fmt.Sprintf("it holds the %s %q twice", kind, name)}
		}
		out[kind+" "+name] = table + ": " + how
	}
	if len(out) == 0 {
		return nil, errors.Join(foreignError{"it holds no tables"}, rows.Err())
	}
	return out, rows.Err()
}

// hostileSQL finds a line that this program would not have written: names with
// control characters or marks that change the direction of writing, moments
// outside of 1970 to 2200, pictures of other kinds, texts that are not JSON.
// Every query returns what it found wrong.
func hostileSQL() []string {
	// GLOB sets: C0 and C1 controls; U+200B..200F, U+2028..202E, U+2060..206F, U+FEFF.
	const odd = "GLOB '*[' || char(1) || '-' || char(31) || char(127) || '-' || char(159) || char(0x200b) || '-' || char(0x200f)" +
		" || char(0x2028) || '-' || char(0x202e) || char(0x2060) || '-' || char(0x206f) || char(0xfeff) || ']*'"
	const latest = "7258118400000" // 2200-01-01
	name := func(table, column string) string {
		return "SELECT 'the name of a " + table + " holds characters that cannot be seen or is too long' FROM " + table + "s WHERE " +
			column + " " + odd + " OR length(" + column + ") > 200 OR instr(" + column + ", char(0)) > 0 LIMIT 1"
	}
	moment := func(table, column string) string {
		return "SELECT 'a moment in the " + table + " lies outside of 1970 to 2200' FROM " + table + " WHERE " +
			column + " NOT BETWEEN 0 AND " + latest + " LIMIT 1"
	}
	body := func(table, column string) string {
		return "SELECT 'a record in the " + table + " cannot be read' FROM " + table + " WHERE " + column + " IS NOT NULL AND NOT json_valid(" + column + ") LIMIT 1"
	}
	return []string{
		name("rise", "vessel"), name("event", "vessel"), name("event", "kind"), name("event", "by_whom"),
		moment("rises", "started_ms"), moment("rises", "ended_ms"), moment("rises", "reached_ms"), moment("rises", "peak_ms"), moment("rises", "phase_since_ms"),
		moment("samples", "t_ms"), moment("events", "at_ms"), moment("events", "recorded_ms"), moment("events", "undone_ms"), moment("photos", "at_ms"),
		"SELECT 'a rise has no number' FROM rises WHERE id NOT BETWEEN 1 AND 1000000000 LIMIT 1",
		"SELECT 'an event has no number' FROM events WHERE id NOT BETWEEN 1 AND 1000000000000 LIMIT 1",
		"SELECT 'a rise ends before it starts' FROM rises WHERE ended_ms < started_ms LIMIT 1",
		"SELECT 'a rise holds neither dough nor starter' FROM rises WHERE holds NOT IN ('', 'dough', 'starter') LIMIT 1",
		"SELECT 'a picture is none' FROM photos WHERE type NOT IN ('image/jpeg', 'image/png') LIMIT 1",
		body("events", "body"), body("alarms", "body"), body("notifications", "head"),
	}
}

// checkContent refuses a file with lines that this program would not have written.
// The file has the newest schema.
func checkContent(ctx context.Context, db *sql.DB) error {
	for _, query := range hostileSQL() {
		var what string
		err := db.QueryRowContext(ctx, query).Scan(&what)
		if err == nil {
			return foreignError{what + "; take a file that tidemark wrote"}
		}
		if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
	}
	return nil
}
