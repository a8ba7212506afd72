package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
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
func (sum *Summary) read(ctx context.Context, db *sql.DB) error {
	steps, err := migrations()
	if err != nil {
		return err
	}
	version, err := schemaVersion(ctx, db)
	switch {
	case err != nil:
		return err
	case version == 0:
		return errors.New("it holds no history")
	case version > len(steps):
		return newerError{version, len(steps)}
	}
	sum.Schema = version
	if err := checkShape(ctx, db, steps[:version]); err != nil {
		return err
	}
	found, err := integrity(ctx, db)
	if err != nil {
		return err
	}
	if found != "" {
		return damageError{found}
	}
	return sum.count(ctx, db)
}

// count counts what is there.
func (sum *Summary) count(ctx context.Context, db *sql.DB) error {
	var first, last sql.NullInt64
	err := db.QueryRowContext(ctx, `SELECT count(*), count(*) - count(ended_ms), min(started_ms), max(started_ms),
 (SELECT count(*) FROM samples) FROM rises`).Scan(&sum.Rises, &sum.Open, &first, &last, &sum.Samples)
	sum.First, sum.Last = fromMS(first), fromMS(last)
	return err
}

// Restore puts a backup in the place of a history that no service uses, after a
// check. What was there is kept under the name it returns; empty when there was
// nothing. At no moment is there no history under its name.
func Restore(ctx context.Context, backup, path string, now time.Time) (aside string, err error) {
	if same(backup, path) {
		return "", fmt.Errorf("restore: %s is the history itself", backup)
	}
	if inUse(path) {
		return "", fmt.Errorf("restore: %w", ErrInUse)
	}
	if _, err := Check(ctx, backup); err != nil {
		return "", fmt.Errorf("restore: %w", err)
	}
	part := path + ".restoring"
	err = compactCopy(ctx, backup, part)
	if err == nil {
		err = keepOwner(path, part)
	}
	if err == nil {
		aside, err = setAsideForRestore(ctx, path, now)
	}
	if err == nil {
		err = finishCopy(ctx, part, path, fileMode)
	}
	if err != nil {
		_ = os.Remove(part)
		return aside, fmt.Errorf("restore %s: %w", backup, err)
	}
	return aside, nil
}

// compactCopy copies a history that no service uses, leaving out what is empty.
func compactCopy(ctx context.Context, from, part string) error {
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return readAnyhow(ctx, from, func(db *sql.DB) error {
		_ = os.Remove(part) // of an earlier way of reading
		_, err := db.ExecContext(ctx, "VACUUM INTO ?", part)
		return err
	})
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

// setAsideForRestore gives the old file a second name. Its write-ahead log is
// folded in first: left behind, it would be taken for that of the new file.
func setAsideForRestore(ctx context.Context, path string, now time.Time) (string, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if db, err := openPool(ctx, fileURI(path)+"?mode=rw&_synchronous=full", 1); err == nil {
		// A broken file is kept as it is.
		_, _ = db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
		_ = db.Close()
	}
	aside := asideName(path, "before-restore", now)
	err := os.Link(path, aside)
	if err != nil { // a file system without second names
		err = os.Rename(path, aside)
	}
	if err != nil {
		return "", fmt.Errorf("keep the old history: %w", err)
	}
	for _, suffix := range []string{"-wal", "-shm", "-tail"} {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("keep the old history: %w", err)
		}
	}
	return aside, nil
}
