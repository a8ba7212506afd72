package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"tidemark/bake"
)

// Summary says what a history file holds.
type Summary struct {
	Schema  int       // schema version
	Bytes   int64     // size of the file
	Rises   int       // all rises
	Open    int       // those under way
	Samples int64     // stored samples
	First   time.Time // start of the oldest rise; zero when there is none
	Last    time.Time // start of the newest rise
}

// Check looks at a history file that no service uses: is it ours, of a version
// that can be read, and sound? It changes nothing.
func Check(ctx context.Context, file string) (Summary, error) {
	info, err := os.Stat(file)
	if err != nil {
		return Summary{}, fmt.Errorf("check: %w", err)
	}
	if !info.Mode().IsRegular() {
		return Summary{}, fmt.Errorf("check: %s is not a file", file)
	}
	if inUse(file) {
		return Summary{}, fmt.Errorf("check %s: %w", file, ErrInUse)
	}
	sum := Summary{Bytes: info.Size()}
	err = readAnyhow(ctx, file, func(db *sql.DB) error { return sum.read(ctx, db) })
	if err != nil {
		return Summary{}, fmt.Errorf("check %s: it is no sound history: %w", file, err)
	}
	return sum, nil
}

// read fills the summary and checks the file.
func (sum *Summary) read(ctx context.Context, db *sql.DB) (err error) {
	if sum.Schema, err = schemaVersion(ctx, db); err != nil {
		return err
	}
	if sum.Schema <= 0 {
		return errors.New("it holds no history")
	}
	if err := checkShape(ctx, db, sum.Schema); err != nil {
		return err
	}
	if err := integrity(ctx, db); err != nil {
		return err
	}
	if sum.Schema == len(migrations()) { // an older one is looked at once it was brought up to date
		if err := checkContent(ctx, db); err != nil {
			return err
		}
	}
	return sum.count(ctx, db)
}

// count counts what is there.
func (sum *Summary) count(ctx context.Context, db *sql.DB) error {
	return db.QueryRowContext(ctx, `SELECT count(*), count(*) - count(ended_ms), min(started_ms), max(started_ms),
 (SELECT count(*) FROM samples) FROM rises`).Scan(&sum.Rises, &sum.Open, instant(&sum.First), instant(&sum.Last), &sum.Samples)
}

// carriedFor is how long after its end a rise still belongs to the watch of today:
// its bake may go on.
const carriedFor = 48 * time.Hour

// Preview sets a backup beside the open history.
type Preview struct {
	Backup   Summary
	Present  Summary
	Missing  int       // rises that ended here, over two days ago, and that the backup does not have
	Last     time.Time // start of the newest of them
	Returned int       // rises that only the backup has
	UnderWay []string  // vessels whose rise under way stays
}

// Preview checks a backup and says what would change if it took the place of the
// open history. It changes nothing.
func (s *Store) Preview(ctx context.Context, backup string) (Preview, error) {
	var p Preview
	var err error
	if p.Backup, err = Check(ctx, backup); err != nil {
		return p, err
	}
	all := "SELECT " + rises().columns + " FROM rises"
	var theirs []bake.Rise
	err = readAnyhow(ctx, backup, func(db *sql.DB) error {
		theirs, err = selectIn(ctx, db, rises().scan, all)
		return err
	})
	ours, err2 := selectAll(ctx, s, rises().scan, all)
	err3 := s.query(func(db *sql.DB) error { return p.Present.count(ctx, db) })
	if err := errors.Join(err, err2, err3); err != nil {
		return p, fmt.Errorf("compare %s with the history: %w", backup, err)
	}
	for _, part := range []string{"", "-wal"} { // what was not folded in yet counts too
		if info, err := os.Stat(s.path + part); err == nil {
			p.Present.Bytes += info.Size()
		}
	}
	has := func(rises []bake.Rise, r bake.Rise) bool {
		return slices.ContainsFunc(rises, func(o bake.Rise) bool { return o.Vessel == r.Vessel && o.StartedAt.Equal(r.StartedAt) })
	}
	for _, r := range ours {
		switch {
		case r.UnderWay():
			p.UnderWay = append(p.UnderWay, r.Vessel)
		case !has(theirs, r) && s.opt.Now().Sub(r.EndedAt) >= carriedFor:
			p.Missing++
			if r.StartedAt.After(p.Last) {
				p.Last = r.StartedAt
			}
		}
	}
	for _, r := range theirs {
		if !has(ours, r) {
			p.Returned++
		}
	}
	return p, nil
}

// fresh is the name of a history that is being made, and of the copy of a backup from
// which one is restored.
func fresh(path string) string { return path + ".restoring" }

// copyChecked copies a backup that is checked and brings the copy to the newest schema.
func copyChecked(ctx context.Context, backup, to string) error {
	remove(to) // of an attempt that was cut short
	_, err := Check(ctx, backup)
	if err == nil {
		err = readAnyhow(ctx, backup, func(db *sql.DB) error { return vacuumInto(ctx, db, to) })
	}
	if err == nil {
		err = withFile(ctx, to, func(db *sql.DB) error { return errors.Join(upgrade(ctx, db), checkContent(ctx, db)) })
	}
	return err
}

// attached runs fn with a connection that sees another file under a name.
func attached(ctx context.Context, db *sql.DB, file, name string, fn func(conn *sql.Conn) error) error {
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "ATTACH ? AS "+name, file); err != nil {
		return err
	}
	defer conn.ExecContext(context.WithoutCancel(ctx), "DETACH "+name) //nolint:errcheck // the connection is closed then
	return fn(conn)
}

// Restore puts a backup in the place of the past while the watch goes on, by
// schema/restore.sql in one transaction. Settings, open alarms, the rises under way and
// those of the last two days stay, with all that belongs to them; the rest of the past
// comes from the backup, and so do the settings that start with one of the prefixes past.
// former is a backup of what was there before. On an error nothing has changed.
func (s *Store) Restore(ctx context.Context, backup string, past ...string) (former string, err error) {
	former = freeName(s.path, "before-restore", s.opt.Now())
	if same(backup, s.path) {
		return "", fmt.Errorf("restore: %s is the history itself", backup)
	}
	if err := s.Backup(ctx, former); err != nil { // it writes what waits
		return "", fmt.Errorf("restore: the present history cannot be kept: %w", err)
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	defer remove(fresh(s.path))
	prefixes, err := json.Marshal(append([]string{}, past...))
	err = errors.Join(err, copyChecked(ctx, backup, fresh(s.path)))
	if err == nil {
		err = s.query(func(db *sql.DB) error {
			return attached(ctx, db, fresh(s.path), "past", func(conn *sql.Conn) error {
				tx, err := conn.BeginTx(ctx, nil)
				if err != nil {
					return err
				}
				defer tx.Rollback()
				_, err = tx.ExecContext(ctx, script("schema/restore.sql"), sql.Named("since", s.opt.Now().Add(-carriedFor).UnixMilli()), sql.Named("prefixes", string(prefixes)))
				if err != nil {
					return err
				}
				return tx.Commit()
			})
		})
	}
	if err != nil {
		return "", errors.Join(fmt.Errorf("restore: %w", err), os.Remove(former))
	}
	s.note("A backup was restored. The history from before is kept as %s.", former)
	return former, nil
}

// Restore puts a backup in the place of a history that no service uses. What was there
// is kept under the name it returns; empty when there was nothing.
func Restore(ctx context.Context, backup, path string, now time.Time) (former string, err error) {
	if same(backup, path) {
		return "", fmt.Errorf("restore: %s is the history itself", backup)
	}
	former, err = exchange(path, now, func(file string) error { return copyChecked(ctx, backup, file) })
	if err != nil {
		err = fmt.Errorf("restore %s: %w", backup, err)
	}
	return former, err
}

// New puts an empty history in the place of one that no service uses. What was
// there is kept under the name it returns; empty when there was nothing.
func New(ctx context.Context, path string, now time.Time) (former string, err error) {
	former, err = exchange(path, now, func(file string) error {
		db, err := openFile(ctx, file)
		if err == nil {
			err = db.Close()
		}
		return err
	})
	if err != nil {
		err = fmt.Errorf("new history: %w", err)
	}
	return former, err
}

// exchange puts a history that make makes in the place of one that no service uses.
func exchange(path string, now time.Time, make func(file string) error) (former string, err error) {
	lock, err := takeLock(path)
	if err != nil {
		return "", err
	}
	if lock != nil {
		defer lock.Close()
	}
	return replaceFile(path, "before-restore", now, make)
}

// replaceFile lets make make a history beside path, puts the file at path aside and the new
// one in its place. It returns the name of the one put aside; empty when there was none.
// On an error nothing has changed.
func replaceFile(path, how string, now time.Time, make func(file string) error) (aside string, err error) {
	remove(fresh(path)) // of an attempt that was cut short
	err = make(fresh(path))
	if err == nil {
		err = errors.Join(os.Chmod(fresh(path), fileMode), keepOwner(path, fresh(path)), syncFile(fresh(path)))
	}
	if err != nil {
		remove(fresh(path))
		return "", err
	}
	aside = freeName(path, how, now)
	moved, err := renameAll(path, aside)
	if !moved {
		aside = ""
	}
	if err == nil {
		_, err = renameAll(fresh(path), path)
	}
	return aside, errors.Join(err, syncFile(filepath.Dir(path)))
}

// remove removes a file of ours with what lies beside it.
func remove(path string) {
	for _, suffix := range append(besides(), "") {
		_ = os.Remove(path + suffix) // it is made anew each time
	}
}

// keepOwner gives the new file the owner of the old one, or of the folder: the
// command line runs as root, the service does not.
func keepOwner(path, part string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		info, err = os.Stat(filepath.Dir(path))
	}
	if err != nil {
		return err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok && os.Geteuid() == 0 {
		return os.Chown(part, int(st.Uid), int(st.Gid))
	}
	return nil
}
