package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
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
	s.suspectDamage(err)
	return nil
}

// checkSuspicion looks at the whole file after a reader met damage, and replaces
// it if the damage is real. A stop does not wait for the check.
func (s *Store) checkSuspicion(ctx context.Context) {
	suspect := false
	s.change(func() { suspect, s.suspect = s.suspect != nil, nil })
	if !suspect {
		return
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-s.stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	if !isDamage(s.check(ctx)) {
		return
	}
	if err := s.Repair(ctx); err != nil {
		s.opt.Log.Error("history: the damaged file could not be replaced", "error", err)
	}
}

// Repair looks at the whole file and replaces it if it is damaged: for whoever must
// know at once what can still be read. Nobody writes meanwhile.
func (s *Store) Repair(ctx context.Context) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	err := s.check(ctx)
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

// replace puts the file into quarantine, takes the newest backup that is sound, or a
// fresh file, and brings over what can still be read of the old one.
func (s *Store) replace(ctx context.Context, why error) (*sql.DB, error) {
	quarantined, err := quarantine(s.path, howUnusable(why), s.opt.Now())
	if err != nil {
		return nil, err
	}
	s.change(func() { s.health.Quarantine = quarantined })
	from, kept := "a fresh one was started", ""
	if backup := s.takeNewestBackup(ctx); backup != "" {
		from = "the newest backup " + backup + " was taken"
	}
	if quarantined != "" {
		kept = " It was put aside as " + quarantined + "."
	}
	s.note("The history file could not be used (%v).%s Instead %s; the watch goes on.", why, kept, from)
	db, err := openFile(ctx, s.path)
	if err == nil && quarantined != "" {
		s.salvage(ctx, quarantined, db)
	}
	return db, err
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

// quarantine renames a file with what lies beside it and returns the new name;
// empty when there is no file.
func quarantine(path, how string, now time.Time) (string, error) {
	to, moved := freeName(path, how, now), ""
	for _, suffix := range append(besides(), "") {
		err := os.Rename(path+suffix, to+suffix)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("put the %s file aside: %w", how, err)
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
	for _, backup := range slices.Backward(backups(s.opt.Backups)) {
		part := s.path + restoringSuffix
		_, err := Check(ctx, backup)
		if err == nil {
			err = stageCopy(ctx, backup, part, nil)
		}
		if err == nil {
			err = moveInto(part, s.path)
		}
		if err == nil {
			return backup
		}
		_ = os.Remove(part)
		s.note("The backup %s cannot be used: %v.", backup, err)
	}
	return ""
}

// salvage copies what can still be read of a quarantined file over what the backup
// had, the most valuable tables first. It never fails: what it could not bring over
// is in the note, and the file is kept. Of a file with a foreign schema only the
// tables that are as ours are read.
func (s *Store) salvage(ctx context.Context, quarantined string, to *sql.DB) {
	if checkRegular(quarantined) != nil {
		return
	}
	from, err := openPool(ctx, quarantined, 1, mode("ro"))
	var theirs, ours []thing
	if err == nil {
		defer from.Close()
		theirs, err = made(ctx, from)
	}
	if err == nil {
		ours, err = made(ctx, to)
	}
	if err != nil {
		s.note("Nothing could be read from %s: %v.", quarantined, err)
		return
	}
	var told []string
	for _, t := range tables()[1:] { // but meta
		i := slices.IndexFunc(ours, func(x thing) bool { return x.kind == "table" && x.name == t })
		if !slices.Contains(theirs, ours[i]) {
			continue
		}
		all := ""
		n, err := s.copyTable(ctx, from, to, t)
		if err != nil {
			all = " but not all"
		}
		if n > 0 || err != nil {
			told = append(told, fmt.Sprintf("%d %s%s", n, t, all))
		}
	}
	if len(told) > 0 {
		s.note("Brought over from %s: %s.", quarantined, strings.Join(told, ", "))
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

// copyTable copies a table over that of another file and returns how many lines it
// brought. What lies behind a broken page is read from the other end, and samples between
// two of them by their times.
func (s *Store) copyTable(ctx context.Context, from, to *sql.DB, table string) (n int64, err error) {
	before, n, err := copyLines(ctx, from, to, table, "ORDER BY 1")
	if err == nil {
		return n, nil
	}
	behind, more, _ := copyLines(ctx, from, to, table, "ORDER BY 1 DESC")
	n += more
	if table != "samples" {
		return n, err
	}
	first, last := int64(0), int64(math.MaxInt64)
	if before != nil {
		first = before[0].(int64)
	}
	if behind != nil {
		last = behind[0].(int64)
	}
	rises, _ := selectIn(ctx, to, scanRise, "SELECT "+riseColumns+" FROM rises WHERE id BETWEEN ? AND ?", first, last) // none are none
	for _, r := range rises {
		n += copyAmongBroken(ctx, from, to, r, s.opt.Now())
	}
	return n, err
}

// copyAmongBroken copies the samples of a rise that lie among broken pages: behind one
// it goes on a minute later, farther each time that nothing can be read there either, so
// that a page costs little more than was on it.
func copyAmongBroken(ctx context.Context, from, to *sql.DB, r bake.Rise, now time.Time) (n int64) {
	after, until := r.StartedAt.Add(-time.Minute).UnixMilli(), now.UnixMilli()
	if !r.UnderWay() {
		until = r.EndedAt.UnixMilli()
	}
	for skip := time.Minute; after < until; {
		last, read, err := copyLines(ctx, from, to, "samples", "WHERE rise_id = ? AND t_ms > ? ORDER BY t_ms", r.ID, after)
		if n += read; err == nil || isRefusal(err) {
			break
		}
		if skip *= 2; last != nil {
			after, skip = last[1].(int64), time.Minute
		}
		after += skip.Milliseconds()
	}
	return n
}

// copyLines copies lines of a table over those of another file until the end or a
// broken page. What was read stays. It returns the last line that was read and how many
// were new; only a sample is the same wherever it is found. A line that breaks a rule of
// the schema is damage and is left out.
func copyLines(ctx context.Context, from, to *sql.DB, table, clause string, args ...any) (last []any, n int64, err error) {
	rows, err := from.QueryContext(ctx, "SELECT * FROM "+table+" "+clause, args...)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	tx, err := to.BeginTx(ctx, nil)
	if err != nil {
		return nil, 0, err
	}
	defer tx.Rollback()
	columns, err := rows.Columns()
	if err != nil {
		return nil, 0, err
	}
	insert := "INSERT OR REPLACE INTO "
	if table == "samples" {
		insert = "INSERT OR IGNORE INTO "
	}
	insert += table + " VALUES (?" + strings.Repeat(",?", len(columns)-1) + ")"
	values, dest := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		dest[i] = &values[i]
	}
	var broken error
	for rows.Next() {
		if broken = rows.Scan(dest...); broken != nil {
			break
		}
		last = slices.Clone(values)
		switch res, err := tx.ExecContext(ctx, insert, values...); {
		case isRefusal(err):
			return nil, 0, err
		case err == nil:
			added, _ := res.RowsAffected() // always known here
			n += added
		}
	}
	if err := tx.Commit(); err != nil {
		return nil, 0, err
	}
	return last, n, errors.Join(broken, rows.Err())
}
