package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"
)

// openInMemory is the last resort: the watch goes on without a file. What is
// needed to go on with the rises under way is read from the file if that can be
// read at all. rejoin brings everything into the file when it can be opened again.
func (s *Store) openInMemory(ctx context.Context, why error) error {
	name := fmt.Sprintf("tidemark-%d-%p", os.Getpid(), s)
	c, err := openConns(ctx, name, true, false)
	if err != nil {
		return errors.Join(why, err)
	}
	steps, err := migrations()
	if err == nil {
		err = migrate(ctx, c.hard, steps)
	}
	if err != nil {
		return errors.Join(why, err, c.close())
	}
	s.db, s.memory = c, true
	s.status.fellBack(fmt.Sprintf("The history lives in memory and is lost at the next stop, because %s cannot be used: %s.", s.path, inWords(why)), s.opt.Now())
	s.note("%s", s.Health().Problem)
	s.remember(ctx)
	return nil
}

// fellBack notes that there is no file.
func (st *status) fellBack(problem string, now time.Time) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.inMemory, st.problem, st.since = true, problem, now
}

// remembered is what the stand-in needs of the file: all rises, and what belongs
// to those under way.
func remembered(replace bool) []copying {
	const open = "SELECT id FROM rises WHERE ended_ms IS NULL"
	const alarms = "WHERE state <> 'resolved' OR rise_id IN (" + open + ")"
	list := []copying{
		{table: "settings"}, {table: "rises"},
		{table: "acts", where: "WHERE rise_id IN (" + open + ")"},
		{table: "processes", where: "WHERE rise_id IN (" + open + ")"},
		{table: "alarms", where: alarms},
		{table: "letters", where: "WHERE alarm_id IN (SELECT id FROM alarms " + alarms + ")"},
		{table: "samples", where: "WHERE rise_id IN (" + open + ")"},
	}
	if replace {
		list = nil
		for _, t := range tables() {
			if t != "meta" {
				list = append(list, copying{table: t, replace: true})
			}
		}
	}
	return list
}

// remember reads the file into the stand-in.
func (s *Store) remember(ctx context.Context) {
	if _, err := os.Stat(s.path); err != nil {
		return
	}
	err := readAnyhow(ctx, s.path, func(old *sql.DB) error {
		for _, c := range remembered(false) {
			if _, err := copyTable(ctx, old, s.db.hard, c); err != nil {
				return err
			}
		}
		return s.leaveGap(ctx, old)
	})
	if err != nil {
		s.note("%s could not be read in full (%v); rises under way before the start may not be known.", s.path, err)
		return
	}
	s.remembered = true
	s.note("The rises under way were read from %s.", s.path)
}

// readAnyhow hands a file to fn in whatever way it can be read, until fn has no
// error: without shared memory beside it, on a read-only disk, or as it lies there.
func readAnyhow(ctx context.Context, path string, fn func(db *sql.DB) error) error {
	var errs []error
	for _, how := range []string{
		"?mode=rw&_pragma=locking_mode(exclusive)&_query_only=true",
		"?vfs=unix-none&mode=ro&_pragma=locking_mode(exclusive)",
		"?mode=ro&immutable=1",
	} {
		db, err := openPool(ctx, fileURI(path)+how, 1)
		if err == nil {
			err = errors.Join(fn(db), db.Close())
		}
		if err == nil || ctx.Err() != nil {
			return errors.Join(err, ctx.Err())
		}
		if !slices.ContainsFunc(errs, func(e error) bool { return e.Error() == err.Error() }) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// leaveGap makes the stand-in number its records beyond those of the file.
func (s *Store) leaveGap(ctx context.Context, old *sql.DB) error {
	for _, t := range []string{"rises", "acts", "photos"} {
		var seq int64
		err := old.QueryRowContext(ctx, "SELECT seq FROM sqlite_sequence WHERE name = ?", t).Scan(&seq)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		_, err = s.db.hard.ExecContext(ctx, "DELETE FROM sqlite_sequence WHERE name = ?1; INSERT INTO sqlite_sequence (name, seq) VALUES (?1, ?2)", t, seq+100)
		if err != nil {
			return err
		}
	}
	return nil
}

// rejoin opens the file again and brings everything from the stand-in into it.
// wmu is held. When the file still cannot be used, the stand-in stays.
func (s *Store) rejoin(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db == nil || !s.memory {
		return nil
	}
	if s.lock == nil {
		if err := s.takeLock(); err != nil {
			return err
		}
	}
	c, err := s.openFile(ctx)
	if err != nil {
		return err
	}
	for _, what := range remembered(true) {
		if _, err = copyTable(ctx, s.db.read, c.hard, what); err != nil {
			return errors.Join(err, c.close())
		}
	}
	if s.remembered {
		err = dropSettings(ctx, s.db.read, c.hard)
	}
	if err == nil {
		_, err = c.hard.ExecContext(ctx, setMetaSQL, "running", "1")
	}
	if err != nil {
		return errors.Join(err, c.close())
	}
	old := s.db
	s.db, s.memory = c, false
	s.status.rejoined()
	s.note("The history is in %s again.", s.path)
	return old.close()
}

// rejoined notes that there is a file again.
func (st *status) rejoined() {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.inMemory, st.problem = false, ""
}

// dropSettings removes the settings that the stand-in no longer has: they were
// deleted while it was in use.
func dropSettings(ctx context.Context, memory, file *sql.DB) error {
	kept, err := keys(ctx, memory)
	if err != nil {
		return err
	}
	stored, err := keys(ctx, file)
	if err != nil {
		return err
	}
	for k := range stored {
		if !kept[k] {
			if _, err := file.ExecContext(ctx, "DELETE FROM settings WHERE key = ?", k); err != nil {
				return err
			}
		}
	}
	return nil
}

// keys reads the keys of all settings.
func keys(ctx context.Context, db *sql.DB) (map[string]bool, error) {
	rows, err := db.QueryContext(ctx, "SELECT key FROM settings")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := make(map[string]bool)
	for rows.Next() {
		var k string
		if err := rows.Scan(&k); err != nil {
			return nil, err
		}
		out[k] = true
	}
	return out, rows.Err()
}
