package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"
)

// TakeOver says what of the running watch stays when a backup takes the place of
// its history.
type TakeOver struct {
	Backup string // the file to take
	// Keep are rises that the watch still needs, beside those under way.
	Keep []int64
	// Past are prefixes of settings that belong to the past rises and come with
	// the backup. All other settings stay as they are.
	Past []string
}

// TakeBackup puts a backup in the place of the open history while the watch goes
// on. Settings, open alarms and the rises under way stay, with all that belongs to
// them and under their numbers; the past comes from the backup. What was there is
// kept beside under the name it returns. On an error the history is as it was.
func (s *Store) TakeBackup(ctx context.Context, t TakeOver) (aside string, err error) {
	if s.opt.Guest || same(t.Backup, s.path) {
		return "", fmt.Errorf("history: %s cannot be taken over here; only the service takes another file than its own", t.Backup)
	}
	if _, err := Check(ctx, t.Backup); err != nil {
		return "", err
	}
	part := s.path + ".restoring"
	defer os.Remove(part) //nolint:errcheck // it is gone after the rename
	fresh, err := prepareCopy(ctx, t.Backup, part)
	if err != nil {
		return "", fmt.Errorf("take the backup over: %w", err)
	}
	s.wmu.Lock() // samples wait in memory, all other writers for us
	defer s.wmu.Unlock()
	if err = s.mayGiveWay(ctx); err == nil {
		err = s.carryOver(ctx, fresh, t)
	}
	if err = errors.Join(err, fresh.Close()); err != nil {
		return "", fmt.Errorf("take the backup over: %w", err)
	}
	return s.swap(ctx, part)
}

// prepareCopy makes a compact copy of a backup with the newest schema and checks
// it. The caller closes it.
func prepareCopy(ctx context.Context, backup, part string) (*sql.DB, error) {
	err := compactCopy(ctx, backup, part)
	if err == nil {
		err = os.Chmod(part, fileMode)
	}
	steps, err2 := migrations()
	if err = errors.Join(err, err2); err != nil {
		return nil, err
	}
	db, err := openPool(ctx, fileURI(part)+"?mode=rw&_synchronous=full&_txlock=immediate", 1)
	if err != nil {
		return nil, err
	}
	err = migrate(ctx, db, steps)
	found := ""
	if err == nil {
		found, err = integrity(ctx, db)
	}
	if err == nil && found != "" {
		err = damageError{found}
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// mayGiveWay brings all that waits into the file; wmu is held. A history that is
// not wholly in its file gives way to no other.
func (s *Store) mayGiveWay(ctx context.Context) error {
	s.mu.RLock()
	closed, memory := s.db == nil, s.memory
	s.mu.RUnlock()
	switch {
	case closed:
		return ErrClosed
	case memory:
		return errors.New("the history lives in memory only, because its file cannot be used; mend that first")
	}
	if err := s.flushLocked(ctx); err != nil {
		return fmt.Errorf("what waits in memory does not reach the file: %w", err)
	}
	return nil
}

// ofRises are the tables whose lines belong to a rise.
func ofRises() []string {
	return []string{"samples", "rollups", "forecasts", "acts", "processes", "alarms", "photos"}
}

// carryOver brings into the fresh file what the watch needs of the open one.
func (s *Store) carryOver(ctx context.Context, fresh *sql.DB, t TakeOver) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	kept, err := keptRises(ctx, s.db.read, t.Keep)
	if err != nil {
		return err
	}
	for _, step := range []func() error{
		func() error { return s.makeRoom(ctx, fresh, kept) },
		func() error { return settle(ctx, fresh, s.opt.Now()) },
		func() error { return carrySettings(ctx, s.db.read, fresh, t.Past) },
		func() error { return carryRises(ctx, s.db.read, fresh, kept) },
		func() error { return raiseNumbers(ctx, s.db.read, fresh) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	_, err = fresh.ExecContext(ctx, setMetaSQL, "running", "1")
	return err
}

// keptRises are the rises under way and those asked for that are there.
func keptRises(ctx context.Context, db *sql.DB, also []int64) ([]Rise, error) {
	rows, err := db.QueryContext(ctx, "SELECT "+riseColumns+" FROM rises WHERE ended_ms IS NULL OR id IN ("+numbersOf(also)+")")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Rise
	for rows.Next() {
		r, err := scanRise(rows.Scan)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// numbersOf writes ids for a list in SQL.
func numbersOf(ids []int64) string {
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = fmt.Sprint(id)
	}
	return strings.Join(words, ",")
}

// makeRoom removes from the fresh file the older copies of the kept rises and
// gives other numbers to what has theirs.
func (s *Store) makeRoom(ctx context.Context, fresh *sql.DB, kept []Rise) error {
	for _, r := range kept {
		if err := dropCopies(ctx, fresh, r); err != nil {
			return err
		}
		free, err := freeNumber(ctx, "rises", s.db.read, fresh)
		if err != nil {
			return err
		}
		for _, set := range append([]string{"UPDATE rises SET id = ?2 WHERE id = ?1"}, riseIDUpdates()...) {
			if _, err := fresh.ExecContext(ctx, set, r.ID, free); err != nil {
				return err
			}
		}
	}
	for _, table := range []string{"acts", "photos"} {
		if err := renumber(ctx, table, s.db.read, fresh, kept); err != nil {
			return err
		}
	}
	return nil
}

// riseIDUpdates give the lines of a rise another number of it.
func riseIDUpdates() []string {
	var out []string
	for _, table := range ofRises() {
		out = append(out, "UPDATE "+table+" SET rise_id = ?2 WHERE rise_id = ?1")
	}
	return out
}

// dropCopies removes the rise with the same vessel and start.
func dropCopies(ctx context.Context, fresh *sql.DB, r Rise) error {
	const copies = "(SELECT id FROM rises WHERE vessel = ? AND started_ms = ?)"
	for _, table := range ofRises() {
		if _, err := fresh.ExecContext(ctx, "DELETE FROM "+table+" WHERE rise_id IN "+copies, r.Vessel, r.StartedAt.UnixMilli()); err != nil {
			return err
		}
	}
	_, err := fresh.ExecContext(ctx, "DELETE FROM rises WHERE vessel = ? AND started_ms = ?", r.Vessel, r.StartedAt.UnixMilli())
	return err
}

// freeNumber is above every number ever given in any of the files.
func freeNumber(ctx context.Context, table string, files ...*sql.DB) (int64, error) {
	var most int64
	for _, db := range files {
		var n int64
		err := db.QueryRowContext(ctx, "SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = ?), 0), coalesce((SELECT max(id) FROM "+table+"), 0))", table).Scan(&n)
		if err != nil {
			return 0, err
		}
		most = max(most, n)
	}
	return most + 1, nil
}

// renumber gives other numbers to the lines of the fresh file whose numbers the
// kept rises' lines have.
func renumber(ctx context.Context, table string, old, fresh *sql.DB, kept []Rise) error {
	taken, err := numbers(ctx, old, "SELECT id FROM "+table+" WHERE rise_id IN ("+numbersOf(idsOf(kept))+")")
	if err != nil || len(taken) == 0 {
		return err
	}
	free, err := freeNumber(ctx, table, old, fresh)
	if err != nil {
		return err
	}
	_, err = fresh.ExecContext(ctx, "UPDATE "+table+" SET id = id + ? WHERE id IN ("+numbersOf(taken)+")", free)
	return err
}

// idsOf are the numbers of rises.
func idsOf(rises []Rise) []int64 {
	out := make([]int64, len(rises))
	for i, r := range rises {
		out[i] = r.ID
	}
	return out
}

// numbers reads numbers.
func numbers(ctx context.Context, db *sql.DB, query string) ([]int64, error) {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []int64
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		out = append(out, id)
	}
	return out, rows.Err()
}

// settle ends what was under way when the backup was made: its rises at their last
// sample, its warnings, and its letters, which nobody wants any more.
func settle(ctx context.Context, fresh *sql.DB, now time.Time) error {
	at := now.UTC().Format(time.RFC3339Nano)
	for _, q := range []struct {
		query string
		args  []any
	}{
		{`UPDATE rises SET ended_ms = max(started_ms, coalesce((SELECT max(t_ms) FROM samples WHERE rise_id = rises.id), started_ms)),
 phase = 'ended', rolled = 0 WHERE ended_ms IS NULL`, nil},
		{`UPDATE alarms SET state = 'resolved', body = json_set(body, '$.State', 'resolved', '$.ResolvedAt', ?) WHERE state <> 'resolved'`, []any{at}},
		{`UPDATE letters SET state = 'withdrawn', head = json_set(head, '$.State', 'withdrawn') WHERE state = 'waiting'`, nil},
	} {
		if _, err := fresh.ExecContext(ctx, q.query, q.args...); err != nil {
			return err
		}
	}
	return nil
}

// carrySettings replaces all settings by the open ones but those of the past.
func carrySettings(ctx context.Context, old, fresh *sql.DB, past []string) error {
	ofPast := func(key string) bool {
		return slices.ContainsFunc(past, func(p string) bool { return strings.HasPrefix(key, p) })
	}
	there, err := keys(ctx, fresh)
	if err != nil {
		return err
	}
	for k := range there {
		if ofPast(k) {
			continue
		}
		if _, err := fresh.ExecContext(ctx, "DELETE FROM settings WHERE key = ?", k); err != nil {
			return err
		}
	}
	ours, err := settingsOf(ctx, old, "")
	if err != nil {
		return err
	}
	for k, v := range ours {
		if ofPast(k) {
			continue
		}
		if _, err := fresh.ExecContext(ctx, "INSERT INTO settings (key, value) VALUES (?, ?)", k, v); err != nil {
			return err
		}
	}
	return nil
}

// carryRises copies the kept rises with all that belongs to them, and the open
// alarms with their letters.
func carryRises(ctx context.Context, old, fresh *sql.DB, kept []Rise) error {
	list := numbersOf(idsOf(kept))
	alarms := "WHERE state <> 'resolved' OR rise_id IN (" + list + ")"
	what := []copying{
		{table: "rises", where: "WHERE id IN (" + list + ")", replace: true},
		{table: "letters", where: "WHERE alarm_id IN (SELECT id FROM alarms " + alarms + ")", replace: true},
	}
	for _, table := range ofRises() {
		where := "WHERE rise_id IN (" + list + ")"
		if table == "alarms" {
			where = alarms
		}
		what = append(what, copying{table: table, where: where, replace: true})
	}
	for _, c := range what {
		if _, err := copyTable(ctx, old, fresh, c); err != nil {
			return fmt.Errorf("carry over %s: %w", c.table, err)
		}
	}
	return nil
}

// raiseNumbers makes the fresh file number its records beyond those of both.
func raiseNumbers(ctx context.Context, old, fresh *sql.DB) error {
	for _, table := range []string{"rises", "acts", "photos"} {
		free, err := freeNumber(ctx, table, old, fresh)
		if err != nil {
			return err
		}
		_, err = fresh.ExecContext(ctx, "DELETE FROM sqlite_sequence WHERE name = ?1; INSERT INTO sqlite_sequence (name, seq) VALUES (?1, ?2)", table, free)
		if err != nil {
			return err
		}
	}
	return nil
}

// swap puts the fresh file in the place of the open one; wmu is held. When the
// fresh one cannot be opened, the old one comes back.
func (s *Store) swap(ctx context.Context, part string) (aside string, err error) {
	ctx = context.WithoutCancel(ctx) // from here on it is done or undone
	if err := syncFile(part); err != nil {
		return "", err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db == nil {
		return "", ErrClosed
	}
	err = errors.Join(s.db.close(), s.closeTail())
	s.db = nil
	if err == nil {
		aside, err = setAsideForRestore(ctx, s.path, s.opt.Now())
	}
	if err == nil {
		err = os.Rename(part, s.path)
	}
	if err == nil {
		s.db, err = openChecked(ctx, s.path)
	}
	if err == nil {
		s.opt.Log.Info("history: a backup was taken over", "before", aside)
		return aside, nil
	}
	return "", errors.Join(fmt.Errorf("the backup could not be taken over: %w", err), s.takeBack(ctx, aside))
}

// takeBack opens the file from before again.
func (s *Store) takeBack(ctx context.Context, aside string) error {
	var err error
	if aside != "" {
		err = os.Rename(aside, s.path)
	}
	if err == nil {
		s.db, err = openChecked(ctx, s.path)
	}
	if err != nil {
		err = errors.Join(err, s.openInMemory(ctx, err))
	}
	return err
}
