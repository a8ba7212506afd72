// Package history keeps what was watched: rises, their samples, what people did,
// the alarms and messages under way, the household's settings. It looks on; it
// decides nothing about dough.
//
// Storage is one SQLite file in write-ahead mode (https://www.sqlite.org/wal.html)
// with one writer at a time. Every commit waits for the disk (synchronous=FULL).
// Events, alarms, notifications, rises and settings are stored before the call
// returns. Samples and forecasts are collected in memory and written in one
// transaction 5, 10, 20 and 40 s after the start and then once a minute: a kill or a
// power cut loses at most the last minute of samples, never a rise, an event or an
// alarm.
//
// The journal is samples (Row) and events (Event) in order of time. A rise is what a
// fold over it comes to; the line of a rise is a summary for lists and comparison.
//
// A restore takes over what a checked copy of a backup holds in one transaction
// (Store.Restore), or lays that copy in the place of a history that no service uses
// (Restore). A file is ours only if everything in
// its schema is as this package makes it, whatever its name.
//
// Units: times are kept as whole milliseconds since 1970 in UTC; distances,
// temperatures, percents and hours of samples as whole thousandths (µm, m°C,
// 0.001 percentage points, 0.001 h), so a value read back differs from the one
// written by at most half a thousandth. A missing value is NaN in Go and NULL in
// the file. Volumes are litres, rates percent per hour.
//
// Limits: 20,000 samples and 1,000 other records wait for a disk that takes nothing,
// then the oldest samples and the newest records are given up. Notifications are kept
// for 60 days, all else for good.
//
// Invariants: a full, read-only or damaged disk never stops the watch. What
// cannot be written is kept in memory and written when the disk takes it again;
// Health says so meanwhile. A damaged, foreign, empty or newer file, or one that is
// gone though there are backups, is told: it is renamed (quarantine), never deleted,
// the newest sound backup takes its place, and what can still be read of it is copied
// over that.
//
// The package does not watch the disk's free space, does not talk to the
// network, and does not encrypt.
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
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// Errors a caller may want to tell apart.
var (
	// ErrNotFound says that there is no such record.
	ErrNotFound = errors.New("history: no such record")
	// ErrInUse says that another process watches with this database.
	ErrInUse = errors.New("history: another tidemark service uses this database; stop it first")
	// ErrClosed says that the store was closed.
	ErrClosed = errors.New("history: the store is closed")
)

// Options choose how a store is opened. The zero value is right for the service.
type Options struct {
	// Beside opens the file beside the service that owns it, for the command
	// line: the file must exist, is not checked, marked or repaired, and no
	// regular writer runs.
	Beside bool
	// ReadOnly is Beside and writes nothing.
	ReadOnly bool
	// FlushEvery is the time after which samples are on the disk; 0 means a
	// minute. The first four passes after a start come earlier.
	FlushEvery time.Duration
	// Backups is the folder with the scheduled backups. After damage the newest
	// sound one is taken. Empty: none.
	Backups string
	// Log receives what the store finds and does by itself; nil means nowhere.
	Log *slog.Logger
	// Now is the wall clock; nil means time.Now.
	Now func() time.Time
}

// Opened says what was found when the store was opened.
type Opened struct {
	New       bool      // there was neither a file nor a backup: a first start
	Unclean   bool      // the last run did not stop in order
	LastWrite time.Time // last sign of life of the last run; zero when unknown
	Health              // as it was then
}

// Health says whether what is watched also reaches the disk.
type Health struct {
	Problem     string    // in words; empty when all is well
	Since       time.Time // when the problem began
	InMemory    bool      // no file could be opened for writing: what is new is lost at the stop
	WaitingRows int       // samples not yet written
	DroppedRows int64     // samples given up because memory was full
	LastCommit  time.Time // last successful pass of the writer, even an empty one
	Quarantine  string    // where a damaged, newer or foreign file was put; empty when none was
	Notes       []string  // what opening found, for the log and the page
}

// Store is an open history. Its methods may be called from many goroutines.
type Store struct {
	path string
	opt  Options
	lock *os.File

	wmu      sync.Mutex   // one writer at a time
	mu       sync.RWMutex // guards the next three against change during use
	db       *sql.DB      // nil when no file can be opened
	writable bool
	closed   bool

	pending pending

	status  sync.Mutex // guards health
	health  Health
	suspect atomic.Bool // a reader met damage that the writer has not dealt with yet

	opened Opened
	kick   chan struct{}      // asks for a flush now
	stop   context.CancelFunc // ends the regular writer
	done   sync.WaitGroup
	once   sync.Once
}

// Open opens or creates the history file. For the service it fails only when another
// service uses the file or ctx ends: a damaged, newer or foreign file is quarantined
// and the newest backup taken, and when no file can be written the watch goes on from
// memory; Opened and Health say so.
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	opt.defaults()
	s := &Store{path: path, opt: opt, kick: make(chan struct{}, 1), stop: func() {}}
	s.health.Since, s.health.LastCommit = opt.Now(), opt.Now()
	open := s.openOwned
	if opt.Beside {
		open = s.openBeside
	}
	if err := open(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open the history %s: %w", path, err), s.closeFile(), s.unlock())
	}
	s.opened.Health = s.Health()
	if !opt.Beside {
		regular, stop := context.WithCancel(context.WithoutCancel(ctx))
		s.stop = stop
		s.done.Go(func() { s.flusher(regular) })
	}
	return s, nil
}

// defaults fills in what was left zero.
func (o *Options) defaults() {
	o.Beside = o.Beside || o.ReadOnly
	if o.FlushEvery <= 0 {
		o.FlushEvery = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

// Path returns the file the store was opened with.
func (s *Store) Path() string { return s.path }

// Opened returns what was found when the store was opened.
func (s *Store) Opened() Opened { return s.opened }

// openBeside opens the file of a service for the command line.
func (s *Store) openBeside(ctx context.Context) error {
	info, err := os.Stat(s.path)
	if err == nil {
		err = checkRegular(s.path)
	}
	if err == nil && info.Size() == 0 {
		err = damaged("the file is empty")
	}
	if err != nil {
		return err
	}
	if s.writable = !s.opt.ReadOnly; s.writable {
		s.db, err = openWAL(ctx, s.path)
	} else {
		s.db, err = openPool(ctx, s.path, connections, mode("ro"), "cache_size(-1024)")
	}
	if err != nil {
		return fmt.Errorf("%s: %w", inWords(err), err)
	}
	return current(ctx, s.db)
}

// openOwned opens the file for the service. Where it cannot be written, what is there is
// read if that is possible at all, so that the rises under way go on.
func (s *Store) openOwned(ctx context.Context) error {
	s.lookBefore()
	err := s.openForWriting(ctx)
	switch {
	case errors.Is(err, ErrInUse):
		return err
	case ctx.Err() != nil:
		return ctx.Err()
	case err == nil && s.opened.Unclean && s.Health().Quarantine == "":
		return s.checkAfterCrash(ctx)
	case err == nil:
		s.opened.Unclean = s.Health().Quarantine != ""
		return nil
	}
	s.fellBack(fmt.Sprintf("The history is kept in memory and is lost at the next stop, because %s cannot be written: %s.", s.path, inWords(err)))
	s.note("%s", s.Health().Problem)
	if s.db != nil {
		s.note("The rises under way were read from %s.", s.path)
	} else if _, err := os.Stat(s.path); err == nil {
		s.note("%s cannot be read either; rises under way before the start are not known.", s.path)
	}
	return nil
}

// openForWriting opens the file, or what takes its place. When it cannot be written it is
// open for reading after that, if it can be read.
func (s *Store) openForWriting(ctx context.Context) (err error) {
	if err = os.MkdirAll(filepath.Dir(s.path), 0o750); err != nil {
		return err
	}
	if s.lock == nil {
		if s.lock, err = takeLock(s.path); err != nil {
			return err
		}
	}
	_ = s.closeFile() // it was only read, and may hold the file for itself
	if s.db, err = s.openOrRecover(ctx); err != nil {
		s.db, _ = openReadable(ctx, s.path, func(db *sql.DB) error { return current(ctx, db) }) // nil is no file
	}
	s.writable = err == nil
	return err
}

// reopen tries to open the file again for writing; wmu is held.
func (s *Store) reopen(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || s.writable || s.opt.Beside {
		return nil
	}
	if err := s.openForWriting(ctx); err != nil {
		return err
	}
	s.change(func() { s.health.InMemory, s.health.Problem = false, "" })
	s.note("The history is in %s again.", s.path)
	return nil
}

// takeLock makes sure that only one service uses the file. Without a lock file
// (read-only disk) it returns nil: opening will tell.
func takeLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE|syscall.O_NONBLOCK, 0o640)
	if err != nil {
		return nil, nil //nolint:nilerr,nilnil // a disk that takes no lock file must not stop the watch
	}
	// The command line may look at the lock for a moment: try for a second.
	for try := 0; ; try++ {
		if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err == nil || try == 10 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%w (%s)", ErrInUse, path), f.Close())
	}
	return f, nil
}

// unlock lets another service use the file.
func (s *Store) unlock() error {
	if s.lock == nil {
		return nil
	}
	return s.lock.Close()
}

// inUse reports whether a service holds the file.
func inUse(path string) bool {
	f, err := os.OpenFile(path+".lock", os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return false
	}
	defer f.Close()
	return syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil
}

// lookBefore notes what can be seen before the file is opened.
func (s *Store) lookBefore() {
	info, err := os.Stat(s.path)
	if err != nil {
		s.opened.New = errors.Is(err, fs.ErrNotExist) && len(backups(s.opt.Backups)) == 0
		return
	}
	s.opened.LastWrite = info.ModTime()
	// An orderly stop folds the log in; a reader beside the service may leave an empty one.
	if w, err := os.Stat(s.path + "-wal"); err == nil && w.Size() > 0 {
		s.opened.Unclean = true
		if w.ModTime().After(s.opened.LastWrite) {
			s.opened.LastWrite = w.ModTime()
		}
	}
}

// Close writes what is buffered and closes the file. It returns what could not be
// written.
func (s *Store) Close(ctx context.Context) error {
	err := ErrClosed
	s.once.Do(func() {
		s.stop()
		s.done.Wait()
		err = nil
		if !s.opt.ReadOnly {
			err = s.Flush(ctx)
		}
		s.wmu.Lock()
		defer s.wmu.Unlock()
		s.mu.Lock()
		defer s.mu.Unlock()
		s.closed = true
		err = errors.Join(err, s.closeFile(), s.unlock())
	})
	return err
}

// closeFile closes all connections. The last one to close folds the write-ahead log
// into the file. mu is held.
func (s *Store) closeFile() error {
	db := s.db
	if s.db, s.writable = nil, false; db == nil {
		return nil
	}
	return db.Close()
}

// query runs fn with the file. It is not replaced meanwhile, so fn must be short and
// must not call back into the store's writing methods.
func (s *Store) query(fn func(db *sql.DB) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	switch {
	case s.closed:
		return ErrClosed
	case s.db == nil:
		return errNoFile
	}
	err := fn(s.db)
	if isDamage(err) {
		s.suspectDamage()
	}
	return err
}

// write runs fn in a transaction and waits for the disk.
func (s *Store) write(ctx context.Context, fn func(tx *sql.Tx) error) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.writeLocked(ctx, fn)
}

// writeLocked runs fn in a transaction, after what waits for the disk; wmu is held. When
// the file turns out to be damaged it is quarantined and all runs again on the one that
// takes its place.
func (s *Store) writeLocked(ctx context.Context, fn func(tx *sql.Tx) error) error {
	if s.opt.ReadOnly {
		return errors.New("history: the store is open for reading only")
	}
	waited := s.pending.all()
	all := func(tx *sql.Tx) error {
		if err := writeAll(ctx, tx, waited); err != nil {
			return err
		}
		return fn(tx)
	}
	err := s.transact(ctx, all)
	if isDamage(err) && !s.opt.Beside {
		if err := s.replaceDamaged(ctx, err); err != nil {
			return err
		}
		err = s.transact(ctx, all)
	}
	if err == nil {
		s.pending.written(waited)
	}
	s.wrote(err)
	return err
}

// transact runs fn in one transaction.
func (s *Store) transact(ctx context.Context, fn func(tx *sql.Tx) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	switch {
	case s.closed:
		return ErrClosed
	case !s.writable:
		return errNoFile
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := fn(tx); err != nil {
		return err
	}
	return tx.Commit()
}

// Health returns whether the history reaches the disk.
func (s *Store) Health() Health {
	waiting, _, dropped := s.pending.counts()
	s.status.Lock()
	defer s.status.Unlock()
	h := s.health
	h.WaitingRows, h.DroppedRows, h.Notes = waiting, dropped, slices.Clone(h.Notes)
	return h
}

// change changes what Health tells.
func (s *Store) change(fn func()) {
	s.status.Lock()
	defer s.status.Unlock()
	fn()
}

// wrote takes the result of a write.
func (s *Store) wrote(err error) {
	s.change(func() {
		h := &s.health
		switch {
		case err == nil:
			if h.Problem != "" {
				s.opt.Log.Info("history: the disk takes writes again")
			}
			h.LastCommit, h.Problem = s.opt.Now(), ""
		case h.InMemory || !isRefusal(err) && !isDamage(err):
		default:
			if h.Problem == "" {
				h.Since = s.opt.Now()
			}
			h.Problem = "The history is not reaching the disk: " + inWords(err) + "."
		}
	})
}

// fellBack notes that there is no file to write to.
func (s *Store) fellBack(problem string) {
	s.change(func() { s.health.InMemory, s.health.Problem, s.health.Since = true, problem, s.opt.Now() })
}

// note keeps a finding for Health, the last twenty, and logs it.
func (s *Store) note(format string, args ...any) {
	n := fmt.Sprintf(format, args...)
	s.opt.Log.Warn("history: " + n)
	s.change(func() {
		s.health.Notes = append(s.health.Notes, n)
		s.health.Notes = slices.Clone(s.health.Notes[max(0, len(s.health.Notes)-20):])
	})
}

// suspectDamage notes that a reader met damage and wakes the writer.
func (s *Store) suspectDamage() {
	s.suspect.Store(true)
	s.FlushSoon()
}
