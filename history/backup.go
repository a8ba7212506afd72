package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Backup writes the whole history into one file while the watch goes on. The file
// appears under its name only when it is complete and was checked. It holds
// everything, the passphrase's hash and open sessions too, so only its owner may
// read it.
func (s *Store) Backup(ctx context.Context, file string) error {
	if same(file, s.path) {
		return fmt.Errorf("history: %s is the history itself; name another file for the backup", file)
	}
	if !s.opt.ReadOnly {
		if err := s.Flush(ctx); err != nil && !isRefusal(err) {
			return err
		}
	}
	part := file + ".part"
	err := s.query(func(db *sql.DB) error { return vacuumInto(ctx, db, part) })
	if err == nil {
		err = os.Chmod(part, 0o600)
	}
	if err == nil {
		err = withFile(ctx, part, func(db *sql.DB) error { return integrity(ctx, db) })
	}
	if err == nil {
		err = errors.Join(syncFile(part), os.Rename(part, file), syncFile(filepath.Dir(file)))
	}
	if err != nil {
		remove(part)
		return fmt.Errorf("backup to %s: %w", file, err)
	}
	return nil
}

// vacuumInto copies an open file; what is at the other place gives way.
func vacuumInto(ctx context.Context, db *sql.DB, to string) error {
	remove(to)
	_, err := db.ExecContext(ctx, "VACUUM INTO ?", to)
	return err
}

const (
	backupPrefix = "tidemark-"
	backupStamp  = "20060102T150405Z"
	backupSuffix = ".db"
)

// backupInto writes a backup with the time in its name into a folder and removes
// all but the newest keep backups there. It returns the file.
func (s *Store) backupInto(ctx context.Context, dir string, keep int) (string, error) {
	if keep < 1 {
		return "", fmt.Errorf("history: at least one backup must be kept, got %d", keep)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	file := filepath.Join(dir, backupPrefix+s.opt.Now().UTC().Format(backupStamp)+backupSuffix)
	if err := s.Backup(ctx, file); err != nil {
		return "", err
	}
	old := backups(dir)
	var errs []error
	for _, b := range old[:max(0, len(old)-keep)] {
		if b != file {
			errs = append(errs, os.Remove(b))
		}
	}
	return file, errors.Join(errs...)
}

// backups returns the scheduled backups in a folder, oldest first; none when it
// cannot be read.
func backups(dir string) []string {
	entries, _ := os.ReadDir(dir) // sorted
	var out []string
	for _, e := range entries {
		if _, ok := backupTime(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, filepath.Join(dir, e.Name()))
		}
	}
	return out
}

// backupTime returns the time in a backup's name.
func backupTime(file string) (time.Time, bool) {
	t, err := time.Parse(backupStamp, strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), backupPrefix), backupSuffix))
	return t, err == nil
}

// RunUpkeep writes a backup and removes old messages whenever the newest backup is older
// than every, and looks again at least once an hour, until ctx ends. A failure is logged
// and tried again at the next look.
func (s *Store) RunUpkeep(ctx context.Context, dir string, every time.Duration, keep int) {
	for ctx.Err() == nil {
		wait := s.untilBackup(dir, every)
		if wait <= 0 {
			file, err := s.backupInto(ctx, dir, keep)
			removed, err2 := s.dropOld(ctx)
			if err = errors.Join(err, err2); err == nil {
				s.opt.Log.Info("history: backup written", "file", file, "old_notifications", removed)
				continue
			}
			s.opt.Log.Error("history: the upkeep failed", "folder", dir, "error", err)
			wait = time.Hour
		}
		pause(ctx, min(wait, time.Hour))
	}
}

// pause waits, or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// untilBackup returns the time until the next backup is due. A newest backup from the
// future (the clock was wrong) does not count.
func (s *Store) untilBackup(dir string, every time.Duration) time.Duration {
	now := s.opt.Now()
	for _, f := range slices.Backward(backups(dir)) {
		if at, ok := backupTime(f); ok && !at.After(now) {
			return at.Add(every).Sub(now)
		}
	}
	return 0
}

// keepNotifications is how long messages that do not wait are kept: they may carry
// pictures. All else stays for good: a year of a kitchen is some 20 MB.
const keepNotifications = 60 * 24 * time.Hour

// dropSQL removes old messages that are not waiting, unless their alarm is still
// alive: one that was sent keeps its alarm from being sent twice.
const dropSQL = `DELETE FROM notifications WHERE state <> 'waiting' AND created_ms < ? AND alarm_id NOT IN
 (SELECT id FROM alarms WHERE state <> 'resolved' OR rise_id IN (SELECT id FROM rises WHERE ended_ms IS NULL))`

// dropOld removes old messages and returns how many.
func (s *Store) dropOld(ctx context.Context) (removed int64, err error) {
	return s.exec(ctx, dropSQL, s.opt.Now().Add(-keepNotifications).UnixMilli())
}
