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
	"sync"
	"syscall"
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
	// FlushEvery is the time after which samples are on the disk; 0 means a
	// minute. The first four passes after a start come earlier.
	FlushEvery time.Duration
	// KeepRows bounds the samples held in memory while the disk takes none; 0
	// means 20,000: more than two days of one vessel, 2.5 MB.
	KeepRows int
	// CheckFor bounds the integrity check that opening waits for after an
	// unclean stop; 0 means 20 s. A longer check goes on beside the watch.
	CheckFor time.Duration
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
	New        bool      // there was neither a file nor a backup: a first start
	Unclean    bool      // the last run did not stop in order
	LastWrite  time.Time // last sign of life of the last run; zero when unknown
	Quarantine string    // where a damaged, newer or foreign file was put; empty when none was
	InMemory   bool      // no file could be opened for writing
	Notes      []string  // in words, for the log and the page
}

// Store is an open history. Its methods may be called from many goroutines.
type Store struct {
	path string
	opt  Options
	lock *os.File

	wmu    sync.Mutex   // one writer at a time
	mu     sync.RWMutex // guards files and closed against change during use
	files  files
	closed bool

	queue   queue
	pending pending
	status  status

	opened Opened
	kick   chan struct{} // asks for a flush now
	stop   chan struct{}
	done   sync.WaitGroup
	once   sync.Once
}

// Open opens or creates the history file. For the service (not a guest) it
// fails only when another service uses the file or ctx ends: a damaged, newer or
// foreign file is quarantined and the newest backup taken, and when no file can be
// written the watch goes on from memory; Opened and Health say so.
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	opt.defaults()
	s := &Store{path: path, opt: opt, kick: make(chan struct{}, 1), stop: make(chan struct{})}
	s.queue.limit = opt.KeepRows
	s.status.since, s.status.commit = opt.Now(), opt.Now()
	open := s.openOwner
	if opt.Guest {
		open = s.openGuest
	}
	if err := open(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open the history %s: %w", path, err), s.files.close(), s.unlock())
	}
	h := s.Health()
	s.opened.Notes, s.opened.Quarantine, s.opened.InMemory = h.Notes, h.Quarantine, h.InMemory
	if !opt.Guest {
		s.done.Go(s.flusher)
	}
	return s, nil
}

// defaults fills in what was left zero.
func (o *Options) defaults() {
	if o.FlushEvery <= 0 {
		o.FlushEvery = time.Minute
	}
	if o.KeepRows <= 0 {
		o.KeepRows = 20_000
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

// Path is the file the store was opened with.
func (s *Store) Path() string { return s.path }

// Opened says what was found when the store was opened.
func (s *Store) Opened() Opened { return s.opened }

// openGuest opens the file of a service for the command line.
func (s *Store) openGuest(ctx context.Context) error {
	info, err := os.Stat(s.path)
	if err == nil {
		err = checkRegular(s.path)
	}
	if err == nil && info.Size() == 0 {
		err = damageError{"the file is empty"}
	}
	if err != nil {
		return err
	}
	if !s.opt.ReadOnly {
		if s.files.write, err = openPool(ctx, writerDSN(s.path), 1); err != nil {
			return fmt.Errorf("%s: %w", inWords(err), err)
		}
	}
	mode := "rw"
	if s.opt.ReadOnly {
		mode = "ro"
	}
	if s.files.read, err = openPool(ctx, readerDSN(s.path, mode), 2); err != nil {
		return fmt.Errorf("%s: %w", inWords(err), err)
	}
	return current(ctx, s.files.read)
}

// current refuses a file that does not have the newest schema, wholly as this
// program makes it.
func current(ctx context.Context, db *sql.DB) error {
	version, err := schemaVersion(ctx, db)
	steps, err2 := migrations()
	switch {
	case err != nil || err2 != nil:
		return errors.Join(err, err2)
	case version > len(steps):
		return newerError{version, len(steps)}
	case version < len(steps):
		return fmt.Errorf("the database has the old schema version %d, expected %d; start the service once to bring it up to date", version, len(steps))
	}
	return checkShape(ctx, db, steps)
}

// openOwner opens the file for the service.
func (s *Store) openOwner(ctx context.Context) error {
	if err := os.MkdirAll(filepath.Dir(s.path), 0o750); err != nil {
		return s.openWithoutFile(ctx, err)
	}
	var err error
	if s.lock, err = takeLock(s.path); err != nil {
		return err
	}
	s.swapStaged(ctx)
	s.lookBefore()
	if s.files, err = s.openOrRecover(ctx); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return s.openWithoutFile(ctx, err)
	}
	return s.afterOpen(ctx)
}

// openWithoutFile goes on without a file that can be written. What is there is
// read if that is possible at all, so that the rises under way go on.
func (s *Store) openWithoutFile(ctx context.Context, why error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	s.status.fellBack(fmt.Sprintf("The history is kept in memory and is lost at the next stop, because %s cannot be written: %s.", s.path, inWords(why)), s.opt.Now())
	s.note("%s", s.Health().Problem)
	if _, err := os.Stat(s.path); err != nil {
		return nil //nolint:nilerr // there is nothing to read
	}
	read, err := openReadable(ctx, s.path, func(db *sql.DB) error { return current(ctx, db) })
	if err != nil {
		s.note("%s cannot be read either (%v); rises under way before the start are not known.", s.path, err)
		return nil
	}
	s.files.read = read
	s.note("The rises under way were read from %s.", s.path)
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
	// The number is for a person who looks; nothing reads it.
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
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
		s.opened.New = errors.Is(err, fs.ErrNotExist) && s.newestBackup() == ""
		return
	}
	s.opened.LastWrite = info.ModTime()
	if w, err := os.Stat(s.path + "-wal"); err == nil && w.ModTime().After(s.opened.LastWrite) {
		s.opened.LastWrite = w.ModTime()
	}
}

// afterOpen finds out how the last run ended, checks the file if it ended badly
// and marks it as in use.
func (s *Store) afterOpen(ctx context.Context) error {
	running, err := selectOne(ctx, s, "mark", scanText, "SELECT value FROM meta WHERE key = 'running'")
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	fresh := s.Health().Quarantine != ""
	s.opened.Unclean = fresh || running == "1"
	if s.opened.Unclean && !fresh {
		if err := s.checkAfterCrash(ctx); err != nil {
			return err
		}
	}
	if err = s.setMeta(ctx, "running", "1"); isRefusal(err) {
		s.note("The disk takes no writes: %s. Samples are held in memory meanwhile.", inWords(err))
		return nil
	}
	return err
}

const setMetaSQL = "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"

// setMeta writes one line of the store's own notes.
func (s *Store) setMeta(ctx context.Context, key, value string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, setMetaSQL, key, value)
		return err
	})
}

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
		errs = append(errs, s.setMeta(ctx, "running", "0"))
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	errs = append(errs, s.files.close(), s.unlock())
	return errors.Join(errs...)
}

// query runs fn with the readers. The file is not replaced meanwhile, so fn must
// be short and must not call back into the store's writing methods.
func (s *Store) query(fn func(db *sql.DB) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	switch {
	case s.closed:
		return ErrClosed
	case s.files.read == nil:
		return errNoFile
	}
	err := fn(s.files.read)
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
// be damaged it is quarantined and fn runs again on the one that takes its place.
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
	switch {
	case s.closed:
		return ErrClosed
	case s.files.write == nil:
		return errNoFile
	}
	tx, err := s.files.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := fn(tx); err != nil {
		return err
	}
	return tx.Commit()
}
