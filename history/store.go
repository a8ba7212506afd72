package history

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"sync"
	"time"
)

// Errors a caller may want to tell apart.
var (
	// ErrNotFound says that there is no such record.
	ErrNotFound = errors.New("history: no such record")
	// ErrInUse says that another process watches with this database.
	ErrInUse = errors.New("history: another tidemark service uses this database; stop it first")
	// ErrMemoryOnly says that the disk refused a write and that the record is
	// held in memory, where it works as usual but would not survive a stop. It
	// is written as soon as the disk takes it.
	ErrMemoryOnly = errors.New("history: kept in memory only")
	// ErrClosed says that the store was closed.
	ErrClosed = errors.New("history: the store is closed")
)

// Options choose how a store is opened. The zero value is right for the service.
type Options struct {
	// Guest opens the file beside the service that owns it, for the command
	// line: the file must exist, is not checked, marked or repaired, and no
	// regular writer runs.
	Guest bool
	// ReadOnly, for a guest, opens no writer.
	ReadOnly bool
	// FlushEvery is the time after which samples are on the disk; 0 means a minute.
	FlushEvery time.Duration
	// Vessels is how many are watched; 0 means one. More samples are gathered for more.
	Vessels int
	// KeepRows bounds the samples held in memory while the disk takes none; 0 means
	// what is right for Vessels: 24,000 for one (nearly three days, 1.5 MB).
	KeepRows int
	// CheckFor bounds the integrity check that opening waits for after an
	// unclean stop; 0 means 20 s. A longer check goes on beside the watch.
	CheckFor time.Duration
	// Backups is the folder with the scheduled backups. After damage, what could
	// not be read of the file comes from the newest one. Empty: none.
	Backups string
	// Log receives what the store finds and does by itself; nil means nowhere.
	Log *slog.Logger
	// Now is the wall clock; nil means time.Now.
	Now func() time.Time
}

// Opened says what was found when the store was opened.
type Opened struct {
	New       bool      // the file was created
	Unclean   bool      // the last run did not stop in order
	LastWrite time.Time // last sign of life of the last run; zero when unknown
	SetAside  string    // where a damaged or newer file was put; empty when none was
	InMemory  bool      // no file could be opened at all
	Notes     []string  // in words, for the log and the page
}

// Store is an open history. Its methods may be called from many goroutines.
type Store struct {
	path string
	opt  Options
	lock *os.File

	wmu sync.Mutex   // one writer at a time; also guards the order of held and file
	mu  sync.RWMutex // guards db against being replaced during use
	db  *conns
	// memory says that db is not the file but a stand-in, remembered that the
	// stand-in was filled from the file; both guarded by mu.
	memory, remembered bool

	buf    buffer
	tail   tail
	held   held
	status status

	opened Opened
	kick   chan struct{} // asks for a flush now
	stop   chan struct{}
	done   sync.WaitGroup
	once   sync.Once
}

// Path is the file the store was opened with.
func (s *Store) Path() string { return s.path }

// Opened says what was found when the store was opened.
func (s *Store) Opened() Opened { return s.opened }

// Close writes what is buffered, marks the stop as orderly and closes the file.
// It returns what could not be written.
func (s *Store) Close(ctx context.Context) error {
	err := ErrClosed
	s.once.Do(func() {
		close(s.stop)
		s.done.Wait()
		err = s.close(ctx)
	})
	return err
}

// close does the work of Close once the flusher has ended.
func (s *Store) close(ctx context.Context) error {
	var errs []error
	if !s.opt.ReadOnly {
		errs = append(errs, s.Flush(ctx))
	}
	if !s.opt.Guest {
		errs = append(errs, s.markStopped(ctx))
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	errs = append(errs, s.db.close(), s.closeTail())
	s.db = nil
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// query runs fn with the readers. The file is not replaced meanwhile, so fn must
// be short and must not call back into the store's writing methods.
func (s *Store) query(fn func(db *sql.DB) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return ErrClosed
	}
	err := fn(s.db.read)
	if isDamage(err) {
		s.suspect(err)
	}
	return err
}

// write runs fn in a transaction and waits for the disk.
func (s *Store) write(ctx context.Context, fn func(tx *sql.Tx) error) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.writeLocked(ctx, fn)
}

// writeLocked runs fn in a transaction; wmu is held. When the file turns out to
// be damaged it is put aside and fn runs again on a fresh one.
func (s *Store) writeLocked(ctx context.Context, fn func(tx *sql.Tx) error) error {
	if s.opt.ReadOnly {
		return errors.New("history: the store is open for reading only")
	}
	err := s.transact(ctx, fn)
	if isDamage(err) && !s.opt.Guest {
		if err := s.replaceDamaged(ctx, err); err != nil {
			return err
		}
		err = s.transact(ctx, fn)
	}
	s.status.wrote(err, s.opt.Now())
	return err
}

// transact runs fn in one transaction.
func (s *Store) transact(ctx context.Context, fn func(tx *sql.Tx) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return ErrClosed
	}
	tx, err := s.db.hard.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := fn(tx); err != nil {
		return err
	}
	return tx.Commit()
}
