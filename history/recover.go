package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// integrity runs SQLite's check of the whole file. It returns a damageError, the
// error that kept it from ending, or nil. See
// https://www.sqlite.org/pragma.html#pragma_integrity_check.
func integrity(ctx context.Context, db *sql.DB) error {
	lines, err := selectIn(ctx, db, scanText, "PRAGMA integrity_check(5)")
	if isDamage(err) {
		return damageError{err.Error()}
	}
	if found := strings.Join(lines, "; "); err == nil && found != "ok" {
		return damageError{"the integrity check found: " + found}
	}
	return err
}

// check runs the integrity check on the readers.
func (s *Store) check(ctx context.Context) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed || s.files.read == nil {
		return nil
	}
	return integrity(ctx, s.files.read)
}

// checkAfterCrash checks the file after an unclean stop. A check that takes too
// long goes on beside the watch.
func (s *Store) checkAfterCrash(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, s.opt.CheckFor)
	defer cancel()
	err := s.check(limited)
	switch {
	case err == nil:
		return nil
	case isDamage(err):
		s.wmu.Lock()
		defer s.wmu.Unlock()
		return s.replaceDamaged(ctx, err)
	case ctx.Err() != nil:
		return ctx.Err()
	}
	s.note("The check of the history after the unclean stop takes longer than %v and goes on in the background.", s.opt.CheckFor)
	s.suspect(err)
	return nil
}

// checkSuspicion looks at the whole file after a reader met damage, and replaces
// it if the damage is real.
func (s *Store) checkSuspicion(ctx context.Context, why error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() { // a stop does not wait for the check
		select {
		case <-s.stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	err := s.check(ctx)
	if !isDamage(err) {
		return
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.replaceDamaged(ctx, errors.Join(err, why)); err != nil {
		s.opt.Log.Error("history: the damaged file could not be replaced", "error", err)
	}
}

// replaceDamaged closes the open file and puts another in its place. No reader or
// writer is at work meanwhile; wmu is held.
func (s *Store) replaceDamaged(ctx context.Context, why error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	_ = s.files.close() // closing a damaged file may fail; the file is kept as it is
	s.files = files{}
	f, err := s.replace(ctx, why)
	if err != nil {
		s.status.fellBack("The history is kept in memory and is lost at the next stop: "+inWords(err)+".", s.opt.Now())
		return errors.Join(errNoFile, why, err)
	}
	s.files = f
	return nil
}

// openOrRecover opens the file, or what takes its place when it cannot be used.
func (s *Store) openOrRecover(ctx context.Context) (files, error) {
	err := s.unusable()
	if err == nil {
		var f files
		if f, err = openFiles(ctx, s.path); err == nil {
			return f, nil
		}
	}
	var newer newerError
	var foreign foreignError
	if isDamage(err) || errors.As(err, &newer) || errors.As(err, &foreign) {
		return s.replace(ctx, err)
	}
	return files{}, err
}

// unusable says of a file that is missing though there are backups, is empty or is
// no plain file why it cannot be opened.
func (s *Store) unusable() error {
	if err := checkRegular(s.path); err != nil {
		return err
	}
	info, err := os.Stat(s.path)
	switch {
	case err == nil && info.Size() == 0:
		return damageError{"the file is empty"}
	case errors.Is(err, fs.ErrNotExist) && s.newestBackup() != "":
		return damageError{"the file is gone though there are backups; whoever wants an empty one runs tidemark history new"}
	}
	return nil
}

// replace puts the file into quarantine, takes the newest backup that is sound, or a
// fresh file, and brings over what can still be read of the old one.
func (s *Store) replace(ctx context.Context, why error) (files, error) {
	aside, err := quarantine(s.path, why, s.opt.Now())
	if err != nil {
		return files{}, err
	}
	s.status.change(func(st *status) { st.quarantine = aside })
	from := "a fresh one was started"
	if backup := s.takeNewestBackup(ctx); backup != "" {
		from = "the newest backup " + backup + " was taken"
	}
	if aside == "" {
		s.note("The history file could not be used (%v); %s. The watch goes on.", why, from)
	} else {
		s.note("The history file could not be used (%v). It was put aside as %s and %s; the watch goes on.", why, aside, from)
	}
	f, err := openFiles(ctx, s.path)
	if err == nil && aside != "" {
		s.salvage(ctx, aside, f.write)
	}
	return f, err
}

// asideName is a free name for a file put aside.
func asideName(path, why string, now time.Time) string {
	base := path + "." + why + "-" + now.UTC().Format(backupStamp)
	name := base
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			return name
		}
		name = fmt.Sprintf("%s-%d", base, i)
	}
}

// quarantine renames a file with what lies beside it and returns the new name;
// empty when there is no file.
func quarantine(path string, why error, now time.Time) (string, error) {
	word := "damaged"
	var newer newerError
	var foreign foreignError
	switch {
	case errors.As(why, &newer):
		word = "newer"
	case errors.As(why, &foreign):
		word = "foreign"
	}
	to := asideName(path, word, now)
	moved := ""
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		err := os.Rename(path+suffix, to+suffix)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("put the %s file aside: %w", word, err)
		}
		if err == nil && suffix == "" {
			moved = to
		}
	}
	return moved, nil
}

// takeNewestBackup puts the newest backup that is sound in the place of the file
// and returns its name; empty when there is none.
func (s *Store) takeNewestBackup(ctx context.Context) string {
	if s.opt.Backups == "" {
		return ""
	}
	list, _ := backups(s.opt.Backups) // a folder that cannot be read holds none
	for i := len(list) - 1; i >= 0; i-- {
		if _, err := Check(ctx, list[i]); err != nil {
			s.note("The backup %s cannot be used: %v.", list[i], err)
			continue
		}
		part := s.path + restoringSuffix
		err := stageCopy(ctx, list[i], part)
		if err == nil {
			err = errors.Join(os.Rename(part, s.path), syncDir(s.path))
		}
		if err == nil {
			return list[i]
		}
		_ = os.Remove(part)
		s.note("The backup %s could not be taken: %v.", list[i], err)
	}
	return ""
}

// salvage copies what can still be read of a quarantined file over what the backup
// had, the most valuable tables first. It never fails: what it could not bring over
// is in the note, and the file is kept. Of a file with a foreign schema only the
// tables that are as ours are read.
func (s *Store) salvage(ctx context.Context, aside string, to *sql.DB) {
	if checkRegular(aside) != nil {
		return
	}
	from, err := openPool(ctx, readerDSN(aside, "ro"), 1)
	var theirs, ours map[string]string
	if err == nil {
		defer from.Close()
		theirs, err = made(ctx, from)
	}
	if err == nil {
		ours, err = made(ctx, to)
	}
	if err != nil {
		s.note("Nothing could be read from %s: %v.", aside, err)
		return
	}
	var saved, broken []string
	for _, t := range tables() {
		if t == "meta" || theirs["table "+t] != ours["table "+t] {
			continue
		}
		n, err := copyTable(ctx, from, to, t, "", false)
		if n > 0 {
			saved = append(saved, fmt.Sprintf("%d %s", n, t))
		}
		if err != nil {
			broken = append(broken, t)
		}
	}
	if len(saved) > 0 {
		s.note("Brought over from %s: %s.", aside, strings.Join(saved, ", "))
	}
	if len(broken) > 0 {
		s.note("Not all could be read of: %s.", strings.Join(broken, ", "))
	}
	if _, err := to.ExecContext(ctx, adoptOrphansSQL); err != nil {
		s.note("Samples whose rise is lost could not be given one: %v.", err)
	}
}

// adoptOrphansSQL makes a rise of samples whose rise was lost, so that they can be
// seen and their number is not given to another one.
const adoptOrphansSQL = `INSERT INTO rises (id, vessel, holds, started_ms, ended_ms, peak_percent, phase, note)
 SELECT rise_id, 'recovered', 'dough', min(t_ms), max(t_ms), max(rise_mpct) / 1000.0, 'ended',
  'Recovered from the samples of a damaged file; vessel and details are lost.'
 FROM samples WHERE rise_id > 0 AND rise_id NOT IN (SELECT id FROM rises) GROUP BY rise_id`

// copyTable copies lines of a table over those of another file, forwards and, after
// a broken page, backwards: a broken page costs what is on it and not all that comes
// after. Renumbered, they get numbers of their own.
func copyTable(ctx context.Context, from *sql.DB, to *sql.DB, table, where string, renumber bool) (int64, error) {
	columns, err := selectIn(ctx, to, scanText, "SELECT name FROM pragma_table_info(?) WHERE NOT (? AND name = 'id') ORDER BY cid", table, renumber)
	if err != nil {
		return 0, err
	}
	keys, err := selectIn(ctx, to, scanText, "SELECT name FROM pragma_table_info(?) WHERE pk > 0 ORDER BY pk", table)
	if err != nil {
		return 0, err
	}
	var total int64
	for _, dir := range []string{"", " DESC"} {
		var n int64
		n, err = copyLines(ctx, from, to, table, columns, where+" ORDER BY "+strings.Join(keys, dir+", ")+dir)
		total += n
		if err == nil || isRefusal(err) {
			break
		}
	}
	return total, err
}

// copyLines copies lines until the end or a broken page. They are committed in
// parts: what was read stays.
func copyLines(ctx context.Context, from, to *sql.DB, table string, columns []string, tail string) (int64, error) {
	cols := strings.Join(columns, ", ")
	rows, err := from.QueryContext(ctx, "SELECT "+cols+" FROM "+table+" "+tail)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	insert := "INSERT OR REPLACE INTO " + table + " (" + cols + ") VALUES (" + strings.TrimSuffix(strings.Repeat("?,", len(columns)), ",") + ")"
	var total int64
	for more := true; more; {
		var n int64
		n, more, err = copyPart(ctx, rows, to, insert, len(columns))
		total += n
		if err != nil {
			return total, err
		}
	}
	return total, nil
}

// copyPart copies up to 5,000 lines in one transaction.
func copyPart(ctx context.Context, rows *sql.Rows, to *sql.DB, insert string, columns int) (n int64, more bool, err error) {
	tx, err := to.BeginTx(ctx, nil)
	if err != nil {
		return 0, false, err
	}
	defer tx.Rollback()
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
		switch _, err := tx.ExecContext(ctx, insert, values...); {
		case isRefusal(err):
			return 0, false, err
		case err == nil:
			n++
		}
		// Otherwise the line breaks a rule of the schema, which is damage: it is left out.
	}
	if err := tx.Commit(); err != nil {
		return 0, false, err
	}
	return n, more, errors.Join(scanErr, rows.Err())
}

// reopen tries to open the file again for writing; wmu is held. When it still
// cannot be written, all stays as it is.
func (s *Store) reopen(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.opt.Guest || s.closed || s.files.write != nil {
		return nil
	}
	if s.lock == nil {
		var err error
		if s.lock, err = takeLock(s.path); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(filepath.Dir(s.path), 0o750); err != nil {
		return err
	}
	_ = s.files.close() // it was only read, and may hold the file for itself
	f, err := openFiles(ctx, s.path)
	if err == nil {
		_, err = f.write.ExecContext(ctx, setMetaSQL, "running", "1")
	}
	if err != nil {
		err = errors.Join(err, f.close())
		s.files = files{}
		if read, err := openReadable(ctx, s.path, func(db *sql.DB) error { return current(ctx, db) }); err == nil {
			s.files.read = read
		}
		return err
	}
	s.files = f
	s.status.change(func(st *status) { st.inMemory, st.problem = false, "" })
	s.note("The history is in %s again.", s.path)
	return nil
}
