package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"
)

// integrity runs SQLite's check of the whole file. It returns a damageError, the
// error that kept it from ending, or nil. See
// https://www.sqlite.org/pragma.html#pragma_integrity_check.
func integrity(ctx context.Context, db *sql.DB) error {
	lines, err := selectIn(ctx, db, scanText, "PRAGMA integrity_check(5)")
	if isDamage(err) {
		return damaged(err.Error())
	}
	if found := strings.Join(lines, "; "); err == nil && found != "ok" {
		return damaged("the integrity check found: " + found)
	}
	return err
}

// check runs the integrity check on the open file.
func (s *Store) check(ctx context.Context) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return nil
	}
	return integrity(ctx, s.db)
}

// checkFor bounds the integrity check that opening waits for after an unclean stop.
const checkFor = 20 * time.Second

// checkAfterCrash checks the file after an unclean stop. A check that takes too
// long goes on beside the watch.
func (s *Store) checkAfterCrash(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, checkFor)
	defer cancel()
	err := s.Repair(limited)
	if limited.Err() == nil || ctx.Err() != nil {
		return errors.Join(err, ctx.Err())
	}
	s.note("The check of the history after the unclean stop takes longer than %v and goes on in the background.", checkFor)
	s.suspectDamage()
	return nil
}

// checkSuspicion looks at the whole file after a reader met damage, and replaces
// it if the damage is real.
func (s *Store) checkSuspicion(ctx context.Context) {
	if !s.suspect.Swap(false) {
		return
	}
	if err := s.Repair(ctx); err != nil {
		s.opt.Log.Error("history: the damaged file could not be replaced", "error", err)
	}
}

// Repair looks at the whole file and replaces it if it is damaged: for whoever must
// know at once what can still be read. Nobody writes while it is replaced.
func (s *Store) Repair(ctx context.Context) error {
	if err := s.check(ctx); !isDamage(err) {
		return err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.check(ctx) // another may have replaced it meanwhile
	if isDamage(err) {
		err = s.replaceDamaged(ctx, err)
	}
	return err
}

// replaceDamaged closes the open file and puts another in its place. Nobody reads or
// writes meanwhile; wmu is held.
func (s *Store) replaceDamaged(ctx context.Context, why error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	_ = s.closeFile() // closing a damaged file may fail; the file is kept as it is
	db, err := s.replace(ctx, why)
	if err != nil {
		s.fellBack("The history is kept in memory and is lost at the next stop: " + inWords(err) + ".")
		return errors.Join(errNoFile, why, err)
	}
	s.db, s.writable = db, true
	return nil
}

// openOrRecover opens the file, or what takes its place when it cannot be used: one
// that is missing though there are backups, is empty, or is no plain file cannot.
func (s *Store) openOrRecover(ctx context.Context) (*sql.DB, error) {
	err := checkRegular(s.path)
	info, missing := os.Stat(s.path)
	switch {
	case err != nil:
	case missing == nil && info.Size() == 0:
		err = damaged("the file is empty")
	case errors.Is(missing, fs.ErrNotExist) && len(backups(s.opt.Backups)) > 0:
		err = damaged("the file is gone though there are backups; whoever wants an empty one runs tidemark history new")
	default:
		var db *sql.DB
		if db, err = openFile(ctx, s.path); err == nil {
			return db, nil
		}
	}
	if howUnusable(err) != "" {
		return s.replace(ctx, err)
	}
	return nil, err
}

// replace puts the newest backup that is sound, or a fresh file, in the place of the
// file, brings over what can still be read of it, and puts it aside.
func (s *Store) replace(ctx context.Context, why error) (*sql.DB, error) {
	from, kept := "a fresh one was started", ""
	quarantined, err := replaceFile(s.path, howUnusable(why), s.opt.Now(), func(file string) error {
		for _, backup := range slices.Backward(backups(s.opt.Backups)) {
			err := copyChecked(ctx, backup, file)
			if err == nil {
				from = "the newest backup " + backup + " was taken"
				break
			}
			remove(file)
			s.note("The backup %s cannot be used: %v.", backup, err)
		}
		db, err := openFile(ctx, file)
		if err == nil {
			s.salvage(ctx, db)
			err = errors.Join(ctx.Err(), db.Close())
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if quarantined != "" {
		kept = " It was put aside as " + quarantined + "."
	}
	s.change(func() { s.health.Quarantine = quarantined })
	s.note("The history file could not be used (%v).%s Instead %s; the watch goes on.", why, kept, from)
	return openFile(ctx, s.path)
}

// freeName returns a free name for a file put aside.
func freeName(path, why string, now time.Time) string {
	base := path + "." + why + "-" + now.UTC().Format(backupStamp)
	name := base
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			return name
		}
		name = fmt.Sprintf("%s-%d", base, i)
	}
}

// renameAll renames a file with what lies beside it and reports whether there was one.
func renameAll(from, to string) (moved bool, err error) {
	for _, suffix := range append(besides(), "") {
		err := os.Rename(from+suffix, to+suffix)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, fmt.Errorf("put the file %s aside: %w", from, err)
		}
		moved = err == nil
	}
	return moved, nil
}

// salvage copies what can still be read of the file over what the backup had, the most
// valuable tables first. It never fails: what it could not bring over is in the note,
// and the file is kept. Of a file with a foreign schema only the tables that are as ours
// are read.
func (s *Store) salvage(ctx context.Context, to *sql.DB) {
	if info, err := os.Stat(s.path); err != nil || info.Size() == 0 || checkRegular(s.path) != nil {
		return
	}
	var told []string
	err := attached(ctx, to, "file:"+(&url.URL{Path: s.path}).EscapedPath()+"?mode=ro", "broken", func(conn *sql.Conn) error {
		if _, err := conn.ExecContext(ctx, "PRAGMA main.synchronous = off"); err != nil { // the file is brought to the disk as a whole
			return err
		}
		sound, err := selectIn(ctx, conn, scanText, "SELECT name FROM main.sqlite_schema WHERE type = 'table' INTERSECT SELECT theirs.name FROM broken.sqlite_schema AS theirs JOIN main.sqlite_schema AS ours USING (type, name, tbl_name, sql)")
		for _, t := range tables()[1:] { // but meta
			if !slices.Contains(sound, t) {
				continue
			}
			n, err := copyTable(ctx, conn, t, s.opt.Now())
			all := ""
			if err != nil {
				all = " but not all"
			}
			if n > 0 || err != nil {
				told = append(told, fmt.Sprintf("%d %s%s", n, t, all))
			}
		}
		_, err2 := conn.ExecContext(ctx, adoptOrphansSQL)
		return errors.Join(err, err2)
	})
	if err != nil {
		s.note("Not all could be read from the file: %v.", err)
	}
	if len(told) > 0 {
		s.note("Brought over from the file: %s.", strings.Join(told, ", "))
	}
}

// adoptOrphansSQL makes a rise of samples whose rise was lost, so that they can be
// seen and their number is not given to another one.
const adoptOrphansSQL = `INSERT INTO rises (id, vessel, holds, started_ms, ended_ms, peak_percent, phase, note)
 SELECT rise_id, 'recovered', 'dough', min(t_ms), max(t_ms), max(rise_mpct) / 1000.0, 'ended',
  'Recovered from the samples of a damaged file; vessel and details are lost.'
 FROM samples WHERE rise_id > 0 AND rise_id NOT IN (SELECT id FROM rises) GROUP BY rise_id`

// piece is the span of samples that a broken page may cost, and longestRise how long
// after its start a rise under way is looked for.
const (
	piece       = 10 * time.Minute
	longestRise = 7 * 24 * time.Hour
)

// copyTable copies a table of the broken file over that of the history and returns how
// many lines it brought. Where one is broken, it is copied in pieces: line by line,
// samples by their times. Only a sample is the same wherever it is found.
func copyTable(ctx context.Context, conn *sql.Conn, table string, now time.Time) (n int64, err error) {
	insert := "INSERT OR REPLACE INTO main." + table + " SELECT * FROM broken." + table
	if table == "samples" {
		insert = strings.Replace(insert, "REPLACE", "IGNORE", 1)
	}
	take := func(query string, args ...any) error {
		res, err := conn.ExecContext(ctx, query, args...)
		if err == nil {
			more, _ := res.RowsAffected() // always known here
			n += more
		}
		return err
	}
	if err = take(insert); err == nil {
		return n, nil
	}
	switch table {
	case "samples", "forecasts":
		known, _ := selectIn(ctx, conn, rises().scan, "SELECT "+rises().columns+" FROM main.rises")
		for _, r := range known {
			if table == "forecasts" {
				_ = take(insert+" WHERE rise_id = ?", r.ID) // what cannot be read is told already
				continue
			}
			if r.UnderWay() {
				r.EndedAt = r.StartedAt.Add(min(now.Sub(r.StartedAt), longestRise))
			}
			for at := r.StartedAt.Add(-piece); at.Before(r.EndedAt.Add(piece)); at = at.Add(piece) {
				_ = take(insert+" WHERE rise_id = ? AND t_ms >= ? AND t_ms < ?", r.ID, at.UnixMilli(), at.Add(piece).UnixMilli())
			}
		}
	default:
		last := int64(10_000)
		if found, err := selectIn(ctx, conn, scanInt, "SELECT max(rowid) FROM broken."+table); err == nil && len(found) > 0 {
			last = found[0]
		}
		for id := range last {
			_ = take(insert+" WHERE rowid = ?", id+1)
		}
	}
	return n, err
}
