package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"
)

// Open opens or creates the history file. For the service (not a guest) it
// fails only when another service uses the file or ctx ends: a damaged, newer or
// foreign file is put aside, and when no file can be opened the history lives in
// memory; Opened and Health say so.
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	opt.defaults()
	s := &Store{path: path, opt: opt, kick: make(chan struct{}, 1), stop: make(chan struct{})}
	s.buf.limit = opt.KeepRows
	s.status.since = opt.Now()
	s.status.commit = opt.Now()
	open := s.openOwner
	if opt.Guest {
		open = s.openGuest
	}
	if err := open(ctx); err != nil {
		if s.lock != nil {
			err = errors.Join(err, s.lock.Close())
		}
		return nil, err
	}
	h := s.Health()
	s.opened.Notes, s.opened.SetAside, s.opened.InMemory = h.Notes, h.SetAside, h.InMemory
	if !opt.Guest {
		s.done.Add(1)
		go s.flusher()
	}
	return s, nil
}

// defaults fills in what was left zero.
func (o *Options) defaults() {
	if o.FlushEvery <= 0 {
		o.FlushEvery = time.Minute
	}
	o.Vessels = max(o.Vessels, 1)
	if o.KeepRows <= 0 {
		o.KeepRows = 20000 + 2*tailRows(o.Vessels)
	}
	if o.CheckFor <= 0 {
		o.CheckFor = 20 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

// openGuest opens the file of a service for the command line.
func (s *Store) openGuest(ctx context.Context) error {
	if _, err := os.Stat(s.path); err != nil {
		return fmt.Errorf("open the history: %w", err)
	}
	c, err := openConns(ctx, s.path, false, s.opt.ReadOnly)
	if err != nil {
		return fmt.Errorf("open the history %s: %s: %w", s.path, inWords(err), err)
	}
	s.db = c
	version, err := schemaVersion(ctx, c.read)
	steps, err2 := migrations()
	if err = errors.Join(err, err2); err == nil {
		switch {
		case version > len(steps):
			err = newerError{version, len(steps)}
		case version < len(steps):
			err = fmt.Errorf("the database has the old schema version %d, expected %d; start the service once to bring it up to date", version, len(steps))
		}
	}
	if err == nil {
		err = s.takeTail(ctx)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("open the history %s: %w", s.path, err), c.close())
	}
	return nil
}

// openOwner opens the file for the service.
func (s *Store) openOwner(ctx context.Context) error {
	if err := os.MkdirAll(filepath.Dir(s.path), 0o750); err != nil {
		return s.openWithoutFile(ctx, err)
	}
	if err := s.takeLock(); err != nil {
		return err
	}
	s.lookBefore()
	c, err := s.openFile(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("open the history %s: %w", s.path, ctx.Err())
		}
		return s.openWithoutFile(ctx, err)
	}
	s.db = c
	if to := s.Health().SetAside; to != "" {
		s.salvage(ctx, to)
	}
	return s.afterOpen(ctx)
}

// openWithoutFile opens a history in memory, with what the last run left.
func (s *Store) openWithoutFile(ctx context.Context, why error) error {
	if err := s.openInMemory(ctx, why); err != nil {
		return err
	}
	return s.takeTail(ctx)
}

// openFile opens the file, or puts it aside and opens a fresh one.
func (s *Store) openFile(ctx context.Context) (*conns, error) {
	c, err := openChecked(ctx, s.path)
	if !shouldPutAside(err) {
		return c, err
	}
	if _, err := s.putAside(err); err != nil {
		return nil, err
	}
	return openChecked(ctx, s.path)
}

// openChecked opens a file, brings its schema up to date and reads a little from
// every table.
func openChecked(ctx context.Context, path string) (*conns, error) {
	steps, err := migrations()
	if err != nil {
		return nil, err
	}
	c, err := openConns(ctx, path, false, false)
	if err != nil {
		return nil, err
	}
	err = migrate(ctx, c.hard, steps)
	for _, t := range tables() {
		if err == nil {
			_, err = c.hard.ExecContext(ctx, "SELECT * FROM "+t+" LIMIT 1")
		}
	}
	if err != nil {
		return nil, errors.Join(err, c.close())
	}
	return c, nil
}

// tables lists all tables, those worth most first.
func tables() []string {
	return []string{"meta", "settings", "rises", "acts", "processes", "alarms", "letters",
		"forecasts", "rollups", "photos", "samples"}
}

// shouldPutAside reports whether the file cannot be used as it is but must not
// be lost.
func shouldPutAside(err error) bool {
	var newer newerError
	var foreign foreignError
	return isDamage(err) || errors.As(err, &newer) || errors.As(err, &foreign)
}

// note keeps a finding for Health and logs it.
func (s *Store) note(format string, args ...any) {
	n := fmt.Sprintf(format, args...)
	s.status.note(n)
	s.opt.Log.Warn("history: " + n)
}

// takeLock makes sure that only one service uses the file. Without a lock file
// (read-only disk) it goes on: opening will tell.
func (s *Store) takeLock() error {
	f, err := os.OpenFile(s.path+".lock", os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil //nolint:nilerr // a disk that takes no lock file must not stop the watch
	}
	// The command line may look at the lock for a moment: try for a second.
	for try := 0; ; try++ {
		if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err == nil || try == 10 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("%w (%s)", ErrInUse, s.path), f.Close())
	}
	s.lock = f
	// The number is for a person who looks; nothing reads it.
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return nil
}

// inUse reports whether a service holds the file.
func inUse(path string) bool {
	f, err := os.Open(path + ".lock")
	if err != nil {
		return false
	}
	defer f.Close()
	return syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil
}

// lookBefore notes what can be seen before the file is opened.
func (s *Store) lookBefore() {
	info, err := os.Stat(s.path)
	if errors.Is(err, fs.ErrNotExist) {
		s.opened.New = true
		return
	}
	if err != nil {
		return
	}
	s.opened.LastWrite = info.ModTime()
	for _, suffix := range []string{"-wal", "-tail"} {
		if w, err := os.Stat(s.path + suffix); err == nil && w.ModTime().After(s.opened.LastWrite) {
			s.opened.LastWrite = w.ModTime()
		}
	}
}

// afterOpen finds out how the last run ended, checks the file if it ended badly
// and marks it as in use.
func (s *Store) afterOpen(ctx context.Context) error {
	var open sql.NullString
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'running'").Scan(&open)
	})
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	aside := s.Health().SetAside != ""
	s.opened.Unclean = aside || open.String == "1"
	if s.opened.Unclean && !aside {
		if err := s.checkAfterCrash(ctx); err != nil {
			return err
		}
	}
	err = s.setMeta(ctx, "running", "1")
	if err == nil || isRefusal(err) {
		err = errors.Join(err, s.takeTail(ctx))
	}
	if isRefusal(err) {
		s.note("The disk takes no writes: %s. Samples are held in memory meanwhile.", inWords(err))
		return nil
	}
	return err
}

// markStopped writes that the stop was orderly.
func (s *Store) markStopped(ctx context.Context) error {
	return s.setMeta(ctx, "running", "0")
}

const setMetaSQL = "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"

// setMeta writes one line of the store's own notes.
func (s *Store) setMeta(ctx context.Context, key, value string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, setMetaSQL, key, value)
		return err
	})
}
