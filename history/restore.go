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
	"strconv"
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
	few := func(scan scanner) (r bake.Rise, err error) {
		err = scan(&r.Vessel, instant(&r.StartedAt), instant(&r.EndedAt))
		return r, err
	}
	const query = "SELECT vessel, started_ms, ended_ms FROM rises"
	var theirs []bake.Rise
	err = readAnyhow(ctx, backup, func(db *sql.DB) error {
		theirs, err = selectIn(ctx, db, few, query)
		return err
	})
	ours, err2 := selectAll(ctx, s, few, query)
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

// The names of a copy that is being made, and of one that waits for the next start.
const (
	restoringSuffix = ".restoring"
	stagedSuffix    = ".restore"
)

// stageCopy makes a compact copy of a backup that no service uses, with the newest
// schema, and checks it. carry says what stays of the present history; nil: nothing.
func stageCopy(ctx context.Context, backup, part string, carry []byte) error {
	err := readAnyhow(ctx, backup, func(db *sql.DB) error {
		if err := removeIfThere(part); err != nil {
			return err
		}
		_, err := db.ExecContext(ctx, "VACUUM INTO ?", part)
		return err
	})
	if err != nil {
		return err
	}
	return finish(ctx, part, fileMode, func(db *sql.DB) error {
		_, err := db.ExecContext(ctx, "DELETE FROM meta WHERE key LIKE 'carry%'")
		if err == nil && carry != nil {
			_, err = db.ExecContext(ctx, setMetaSQL(), carryKey, string(carry))
		}
		return errors.Join(err, checkContent(ctx, db))
	})
}

// carryKey is the line of the table meta that says what of the present history a
// staged one takes over: prefixes of settings that it does not, as JSON.
const carryKey = "carry"

// stage checks a backup and lays it beside the history at path, to be taken at the
// next start.
func stage(ctx context.Context, backup, path string, carry []byte) error {
	if same(backup, path) {
		return fmt.Errorf("%s is the history itself", backup)
	}
	if _, err := Check(ctx, backup); err != nil {
		return err
	}
	part := path + restoringSuffix
	err := stageCopy(ctx, backup, part, carry)
	if err == nil {
		err = keepOwner(path, part)
	}
	if err == nil {
		err = moveInto(part, path+stagedSuffix)
	}
	if err != nil {
		_ = os.Remove(part)
	}
	return err
}

// StageRestore checks a backup and lays it beside the history. At the next Open it
// takes the place of the history, which is kept beside. Settings, open alarms, the
// rises under way and those of the last two days stay, with all that belongs to
// them; the rest of the past comes from the backup, and so do the settings that
// start with one of the prefixes past. On an error nothing has changed.
func (s *Store) StageRestore(ctx context.Context, backup string, past ...string) error {
	carry, err := json.Marshal(append([]string{}, past...))
	if err == nil {
		err = stage(ctx, backup, s.path, carry)
	}
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return nil
}

// Restore puts a backup in the place of a history that no service uses, after a
// check. What was there is kept under the name it returns; empty when there was
// nothing. At no moment is there no history under its name.
func Restore(ctx context.Context, backup, path string, now time.Time) (former string, err error) {
	former, err = exchange(ctx, path, now, func() error { return stage(ctx, backup, path, nil) })
	if err != nil {
		err = fmt.Errorf("restore %s: %w", backup, err)
	}
	return former, err
}

// New puts an empty history in the place of one that no service uses. What was
// there is kept under the name it returns; empty when there was nothing.
func New(ctx context.Context, path string, now time.Time) (former string, err error) {
	former, err = exchange(ctx, path, now, func() error {
		fresh := path + restoringSuffix
		if err := errors.Join(removeIfThere(fresh), removeIfThere(path+stagedSuffix)); err != nil {
			return err
		}
		db, err := openFile(ctx, fresh)
		if err == nil {
			err = db.Close()
		}
		if err == nil {
			err = errors.Join(keepOwner(path, fresh), finish(ctx, fresh, fileMode, nil), moveInto(fresh, path+stagedSuffix))
		}
		return err
	})
	if err != nil {
		err = fmt.Errorf("new history: %w", err)
	}
	return former, err
}

// exchange puts what prepare stages in the place of a history that no service uses.
func exchange(ctx context.Context, path string, now time.Time, prepare func() error) (former string, err error) {
	lock, err := takeLock(path)
	if err != nil {
		return "", err
	}
	if lock != nil {
		defer lock.Close()
	}
	if err := prepare(); err != nil {
		return "", err
	}
	return swap(ctx, path, now)
}

// swapStaged takes a staged history, if one waits. One that cannot be taken is put
// aside: the present one goes on.
func (s *Store) swapStaged(ctx context.Context) {
	staged := s.path + stagedSuffix
	if _, err := os.Lstat(staged); err != nil {
		return
	}
	former, err := swap(ctx, s.path, s.opt.Now())
	if err != nil {
		failed := freeName(s.path, "not-restored", s.opt.Now())
		s.note("The backup could not be restored (%v); the history stays as it was. The backup is kept as %s.", err, failed)
		if err := os.Rename(staged, failed); err != nil {
			s.note("The backup could not be put aside: %v.", err)
		}
		return
	}
	s.note("A backup was restored. The history from before is kept as %s.", former)
}

// swap puts the staged history in the place of the present one and returns the name
// under which that is kept. It can be cut short at any moment and begun again.
func swap(ctx context.Context, path string, now time.Time) (former string, err error) {
	staged := path + stagedSuffix
	if err := checkRegular(staged); err != nil {
		return "", err
	}
	if err := carryOver(ctx, path, staged, now); err != nil {
		return "", fmt.Errorf("carry over what stays: %w", err)
	}
	former, err = keepFormer(ctx, path, now)
	if err == nil {
		err = moveInto(staged, path)
	}
	return former, err
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

// keepFormer gives the old file a second name. Its write-ahead log is
// folded in first: left behind, it would be taken for that of the new file.
func keepFormer(ctx context.Context, path string, now time.Time) (string, error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	if checkRegular(path) == nil && info.Size() > 0 {
		if db, err := openPool(ctx, path, 1, mode("rw")); err == nil {
			// A broken file is kept as it is.
			_, _ = db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
			_ = db.Close()
		}
	}
	former := freeName(path, "before-restore", now)
	if err = os.Link(path, former); err != nil { // a file system without second names
		err = os.Rename(path, former)
	}
	for _, suffix := range besides() {
		if e := os.Rename(path+suffix, former+suffix); e != nil && !errors.Is(e, fs.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	if err != nil {
		return "", fmt.Errorf("keep the old history: %w", err)
	}
	return former, nil
}

// carryOver brings into a staged file what it takes over of the present one, by
// schema/carry.sql.
func carryOver(ctx context.Context, present, staged string, now time.Time) error {
	to, err := openPool(ctx, staged, 1, mode("rw"))
	if err != nil {
		return err
	}
	defer to.Close()
	carry, err := selectIn(ctx, to, scanText, "SELECT value FROM meta WHERE key = ?", carryKey)
	if err != nil || len(carry) == 0 {
		return err
	}
	if err := readAnyhow(ctx, present, func(db *sql.DB) error { return current(ctx, db) }); err != nil {
		return err
	}
	_, err = to.ExecContext(ctx, setMetaSQL(), "carry_since", strconv.FormatInt(now.Add(-carriedFor).UnixMilli(), 10))
	if err == nil {
		_, err = to.ExecContext(ctx, "ATTACH ? AS present", present)
	}
	if err == nil {
		_, err = to.ExecContext(ctx, script("schema/carry.sql"))
	}
	return errors.Join(err, to.Close())
}
