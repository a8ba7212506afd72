package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// applicationID marks the file as ours in its header ("TDMK").
const applicationID = 0x54444d4b

// pageBytes is the page size of new files. A minute of samples changes one page,
// and every changed page is written whole: small pages spare the card.
const pageBytes = 1024

// fileMode lets the owner write and the group read; the write-ahead log follows
// it. The file holds sessions and the passphrase's hash.
const fileMode = 0o640

// connections is how many a pool has: one writes, one may be busy with a backup or a
// check, one reads.
const connections = 3

// openPool opens a file and proves that it works. Every pragma is in the name of the
// connection, because a pragma set through a pool reaches only one of its
// connections. Nothing in the file is trusted (https://www.sqlite.org/security.html).
func openPool(ctx context.Context, path string, n int, params url.Values, pragmas ...string) (*sql.DB, error) {
	q := url.Values{"_busy_timeout": {"10000"}, "_dqs": {"false"}, "_defensive": {"true"}, "_txlock": {"immediate"}, "_synchronous": {"full"}}
	for k, v := range params {
		q[k] = v
	}
	q["_pragma"] = append(pragmas, "trusted_schema(0)", "cell_size_check(1)", "temp_store(memory)")
	c, err := sqlite.NewConnector("file:" + (&url.URL{Path: path}).EscapedPath() + "?" + q.Encode())
	if err != nil {
		return nil, err
	}
	db := sql.OpenDB(c)
	db.SetMaxOpenConns(n)
	db.SetMaxIdleConns(n)
	if err := db.PingContext(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// mode returns how a file is opened: "rw", "ro" or "rwc", which makes it.
func mode(m string) url.Values { return url.Values{"mode": {m}} }

// openWAL opens the history itself. The log is folded into the file after each 900
// pages: so far, the pages of its index that a commit changes are the fewest.
func openWAL(ctx context.Context, path string) (*sql.DB, error) {
	return openPool(ctx, path, connections, mode("rw"), "cache_size(-1024)", "journal_mode(wal)", "wal_autocheckpoint(900)", "journal_size_limit(4194304)")
}

// create makes an empty file with our page size. It comes before everything else,
// because turning the write-ahead log on settles the page size.
func create(ctx context.Context, path string) error {
	if info, err := os.Stat(path); err == nil && info.Size() > 0 {
		return nil
	}
	db, err := openPool(ctx, path, 1, mode("rwc"), fmt.Sprintf("page_size(%d)", pageBytes))
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID))
	return errors.Join(err, os.Chmod(path, fileMode), db.Close(), syncFile(filepath.Dir(path)))
}

// openFile opens a file for reading and writing, brings its schema up to date,
// compares it with ours and reads a little from every table.
func openFile(ctx context.Context, path string) (*sql.DB, error) {
	if err := create(ctx, path); err != nil {
		return nil, err
	}
	db, err := openWAL(ctx, path)
	if err != nil {
		return nil, err
	}
	err = upgrade(ctx, db)
	for _, t := range tables() {
		if err == nil {
			_, err = db.ExecContext(ctx, "SELECT * FROM "+t+" LIMIT 1")
		}
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// openReadable opens a file for reading in whatever way the disk allows: without
// shared memory beside it, on a read-only disk, or as it lies there. fn says
// whether what it sees will do.
func openReadable(ctx context.Context, path string, fn func(db *sql.DB) error) (*sql.DB, error) {
	if err := checkRegular(path); err != nil {
		return nil, err
	}
	var errs []error
	for _, how := range []url.Values{
		{"mode": {"rw"}, "_query_only": {"true"}},
		{"mode": {"ro"}, "vfs": {"unix-none"}},
		{"mode": {"ro"}, "immutable": {"1"}},
	} {
		var pragmas []string
		if how.Get("immutable") == "" {
			pragmas = []string{"locking_mode(exclusive)"}
		}
		db, err := openPool(ctx, path, 1, how, pragmas...)
		if err == nil {
			if err = fn(db); err == nil {
				return db, nil
			}
			err = errors.Join(err, db.Close())
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if len(errs) == 0 || errs[len(errs)-1].Error() != err.Error() {
			errs = append(errs, err)
		}
	}
	return nil, errors.Join(errs...)
}

// readAnyhow hands a file to fn in whatever way it can be read, until fn has no
// error.
func readAnyhow(ctx context.Context, path string, fn func(db *sql.DB) error) error {
	db, err := openReadable(ctx, path, fn)
	if err != nil {
		return err
	}
	return db.Close()
}

// withFile hands a file that nobody else uses to fn, for reading and writing.
func withFile(ctx context.Context, path string, fn func(db *sql.DB) error) error {
	db, err := openPool(ctx, path, 1, mode("rw"))
	if err != nil {
		return err
	}
	return errors.Join(fn(db), db.Close())
}

// besides are what SQLite keeps beside a file, by the end of their names.
func besides() []string { return []string{"-wal", "-shm", "-journal"} }

// checkRegular refuses what is no plain file, such as a named pipe, which would
// hang whoever opens it.
func checkRegular(path string) error {
	for _, suffix := range append(besides(), "") {
		info, err := os.Stat(path + suffix)
		switch {
		case err != nil && suffix == "" && !errors.Is(err, fs.ErrNotExist):
			return err
		case err == nil && !info.Mode().IsRegular():
			return foreign("%s is not a plain file (%s)", path+suffix, info.Mode().Type())
		}
	}
	return nil
}

// syncFile brings a file or folder to the disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// same reports whether both names mean the same existing file.
func same(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

// unusable says why a file cannot be used: it is "damaged", "newer" or "foreign".
type unusable struct{ how, why string }

func (e unusable) Error() string { return e.why }

// foreign says that a file is not one that tidemark made.
func foreign(format string, args ...any) error {
	return unusable{"foreign", fmt.Sprintf(format, args...)}
}

// damaged says that a file is broken.
func damaged(why string) error { return unusable{"damaged", why} }

// howUnusable returns how a file cannot be used; empty when the error says no such
// thing.
func howUnusable(err error) string {
	var e unusable
	if errors.As(err, &e) {
		return e.how
	}
	switch code(err) {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT:
		return "damaged"
	}
	return ""
}

// isDamage reports whether the error says that the file itself is broken.
func isDamage(err error) bool { return howUnusable(err) == "damaged" }

// code returns the primary SQLite result code of an error, or 0.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// errNoFile says that there is no file to write to at present.
var errNoFile = errors.New("history: no file can be written")

// isRefusal reports whether the disk did not take a write: full, read-only, I/O
// error, locked by another process, or not to be opened.
func isRefusal(err error) bool { return refusal(code(err)) != "" || errors.Is(err, errNoFile) }

// inWords says what a refusal means for a person.
func inWords(err error) string { return cmp.Or(refusal(code(err)), strconv.Quote(err.Error())) }

// refusal says what a result code means for a person; empty when it is no refusal.
func refusal(code int) string {
	switch code {
	case sqlite3.SQLITE_FULL:
		return "the disk is full; free some space"
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM:
		return "the disk or file is read-only; check the card and the file's owner"
	case sqlite3.SQLITE_IOERR:
		return "the disk reports an error; check the card"
	case sqlite3.SQLITE_CANTOPEN:
		return "the file cannot be opened; check the folder's owner and free space"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return "another program holds the file"
	case sqlite3.SQLITE_NOMEM:
		return "there is not enough memory"
	}
	return ""
}
