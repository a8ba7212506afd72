package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
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
	err := removeIfThere(part)
	if err == nil {
		err = s.vacuumInto(ctx, part)
	}
	if err == nil {
		err = finishCopy(ctx, part, 0o600)
	}
	if err == nil {
		err = errors.Join(os.Rename(part, file), syncDir(file))
	}
	if err != nil {
		_ = os.Remove(part)
		if isDamage(err) {
			s.suspect(err)
		}
		return fmt.Errorf("backup to %s: %w", file, err)
	}
	return nil
}

// vacuumInto writes a compact copy. It uses a connection of its own, so that the
// readers stay free meanwhile.
func (s *Store) vacuumInto(ctx context.Context, part string) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	switch {
	case s.closed:
		return ErrClosed
	case s.files.read == nil:
		return errNoFile
	}
	db := s.files.read
	if s.files.write != nil || s.opt.ReadOnly {
		own, err := openPool(ctx, fileURI(s.path)+"?mode=ro&_busy_timeout=10000", 1)
		if err != nil {
			return err
		}
		defer own.Close()
		db = own
	}
	_, err := db.ExecContext(ctx, "VACUUM INTO ?", part)
	return err
}

// removeIfThere removes a file that may not exist.
func removeIfThere(file string) error {
	if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// syncDir brings the name of a file to the disk.
func syncDir(file string) error { return syncFile(filepath.Dir(file)) }

// finishCopy marks a copy as stopped in order, checks it and brings it to the disk.
func finishCopy(ctx context.Context, part string, mode fs.FileMode) error {
	if err := os.Chmod(part, mode); err != nil {
		return err
	}
	db, err := openPool(ctx, fileURI(part)+"?_synchronous=full&mode=rw", 1)
	if err != nil {
		return err
	}
	if _, err = db.ExecContext(ctx, setMetaSQL, "running", "0"); err == nil {
		err = integrity(ctx, db)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	return syncFile(part)
}

const (
	backupPrefix = "tidemark-"
	backupStamp  = "20060102T150405Z"
	backupSuffix = ".db"
)

// BackupInto writes a backup with the time in its name into a folder and removes
// all but the newest keep backups there. It returns the file.
func (s *Store) BackupInto(ctx context.Context, dir string, keep int) (string, error) {
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
	old, err := backups(dir)
	if err != nil {
		return file, err
	}
	for _, b := range old[:max(0, len(old)-keep)] {
		if b != file {
			err = errors.Join(err, os.Remove(b))
		}
	}
	return file, err
}

// backups lists the backups in a folder, oldest first.
func backups(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if _, ok := backupTime(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, filepath.Join(dir, e.Name()))
		}
	}
	slices.Sort(out)
	return out, nil
}

// newestBackup returns the newest scheduled backup; empty when there is none.
func (s *Store) newestBackup() string {
	if s.opt.Backups == "" {
		return ""
	}
	list, err := backups(s.opt.Backups)
	if err != nil || len(list) == 0 {
		return ""
	}
	return list[len(list)-1]
}

// backupTime reads the time out of a backup's name.
func backupTime(file string) (time.Time, bool) {
	name := filepath.Base(file)
	if !strings.HasPrefix(name, backupPrefix) || !strings.HasSuffix(name, backupSuffix) {
		return time.Time{}, false
	}
	t, err := time.Parse(backupStamp, strings.TrimSuffix(strings.TrimPrefix(name, backupPrefix), backupSuffix))
	return t, err == nil
}

// RunBackups writes a backup whenever the newest one is older than every, and
// looks again at least once an hour, until ctx ends. A failure is logged and
// tried again at the next look.
func (s *Store) RunBackups(ctx context.Context, dir string, every time.Duration, keep int) {
	for {
		wait := s.untilBackup(dir, every)
		if wait <= 0 {
			file, err := s.BackupInto(ctx, dir, keep)
			switch {
			case err != nil:
				s.opt.Log.Error("history: no backup could be written", "folder", dir, "error", err)
				wait = time.Hour
			default:
				s.opt.Log.Info("history: backup written", "file", file)
				continue
			}
		}
		timer := time.NewTimer(min(wait, time.Hour))
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// untilBackup is the time until the next backup is due. A newest backup from the
// future (the clock was wrong) does not count.
func (s *Store) untilBackup(dir string, every time.Duration) time.Duration {
	files, err := backups(dir)
	if err != nil {
		return 0
	}
	now := s.opt.Now()
	for _, f := range slices.Backward(files) {
		if at, ok := backupTime(f); ok && !at.After(now) {
			return at.Add(every).Sub(now)
		}
	}
	return 0
}
