package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

// integrity runs SQLite's check of the whole file and returns what it found;
// empty when the file is sound. See https://www.sqlite.org/pragma.html#pragma_integrity_check.
func integrity(ctx context.Context, db *sql.DB) (string, error) {
	rows, err := db.QueryContext(ctx, "PRAGMA integrity_check(5)")
	if err != nil {
		return "", err
	}
	defer rows.Close()
	var found []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return "", err
		}
		if line != "ok" {
			found = append(found, line)
		}
	}
	return strings.Join(found, "; "), rows.Err()
}

// damageError says that the check found the file broken.
type damageError struct{ found string }

func (e damageError) Error() string { return "the integrity check found: " + e.found }

// check runs the integrity check on the readers. It returns a damageError, the
// error that kept it from ending, or nil.
func (s *Store) check(ctx context.Context) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return ErrClosed
	}
	found, err := integrity(ctx, s.db.read)
	switch {
	case isDamage(err):
		return damageError{err.Error()}
	case err != nil:
		return err
	case found != "":
		return damageError{found}
	}
	return nil
}

// checkAfterCrash checks the file after an unclean stop. A check that takes too
// long goes on beside the watch.
func (s *Store) checkAfterCrash(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, s.opt.CheckFor)
	defer cancel()
	err := s.check(limited)
	var damage damageError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &damage):
		return s.replaceDamaged(ctx, err)
	case ctx.Err() != nil:
		return ctx.Err()
	}
	s.note("The check of the history after the unclean stop takes longer than %v and goes on in the background.", s.opt.CheckFor)
	s.suspect(err)
	return nil
}

// checkSuspicion looks at the whole file after a reader met damage, and puts it
// aside if the damage is real.
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
	var damage damageError
	if !errors.As(err, &damage) {
		return
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.replaceDamaged(ctx, errors.Join(err, why)); err != nil {
		s.opt.Log.Error("history: the damaged file could not be replaced", "error", err)
	}
}

// asideName is a free name for the file put aside.
func asideName(path, why string, now time.Time) string {
	base := path + "." + why + "-" + now.UTC().Format("20060102T150405Z")
	name := base
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, os.ErrNotExist) {
			return name
		}
		name = fmt.Sprintf("%s-%d", base, i)
	}
}

// putAside renames the file and its write-ahead log. It returns the new name.
func (s *Store) putAside(why error) (string, error) {
	word := "damaged"
	if !isDamage(why) {
		var newer newerError
		var foreign foreignError
		switch {
		case errors.As(why, &newer):
			word = "newer"
		case errors.As(why, &foreign):
			word = "foreign"
		}
	}
	to := asideName(s.path, word, s.opt.Now())
	if err := os.Rename(s.path, to); err != nil {
		return "", fmt.Errorf("put the %s file aside: %w", word, err)
	}
	for _, suffix := range []string{"-wal", "-shm"} {
		if err := os.Rename(s.path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("put the %s file aside: %w", word, err)
		}
	}
	s.status.aside(to)
	s.note("The history file could not be used (%v). It was put aside as %s and a fresh one was started; the watch goes on.", why, to)
	return to, nil
}

// aside notes where the file went.
func (st *status) aside(to string) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.setAside = to
}

// replaceDamaged puts the open file aside, opens a fresh one and brings over
// what can still be read. No reader or writer is at work meanwhile.
func (s *Store) replaceDamaged(ctx context.Context, why error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db == nil {
		return ErrClosed
	}
	if s.memory {
		return why
	}
	_ = s.db.close() // closing a damaged file may fail; the file is kept as it is
	s.db = nil
	to, err := s.putAside(why)
	var c *conns
	if err == nil {
		c, err = openChecked(ctx, s.path)
	}
	if err != nil {
		return errors.Join(why, s.openInMemory(ctx, err))
	}
	s.db = c
	s.salvage(ctx, to)
	return nil
}
