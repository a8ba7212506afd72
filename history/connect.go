package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strconv"
	"strings"

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

// memoryPages bounds a history without a file: 24 MB at 4 kB a page.
const memoryPages = 6144

// role is what a connection is for.
type role int

const (
	writer role = iota // waits for the disk
	reader
)

// conns are the connections of one open file.
type conns struct {
	hard, read *sql.DB
}

// fileURI is the path as a URI that SQLite understands.
func fileURI(path string) string { return "file:" + (&url.URL{Path: path}).EscapedPath() }

// dsn builds the connection string. Every pragma is in it, because a pragma set
// through a pool reaches only one of its connections.
func dsn(path string, r role, memory, readOnly bool) string {
	q := url.Values{}
	pragma := func(name string, value any) { q.Add("_pragma", fmt.Sprintf("%s(%v)", name, value)) }
	q.Set("_busy_timeout", "10000")
	q.Set("_dqs", "false")
	q.Set("_defensive", "true")
	pragma("temp_store", "memory")
	pragma("cache_size", -1024)
	name := fileURI(path)
	if memory {
		name = "file:/" + url.PathEscape(strings.TrimPrefix(path, "/"))
		q.Set("vfs", "memdb")
	}
	switch r {
	case reader:
		q.Set("_query_only", "true")
		if readOnly {
			q.Set("mode", "ro")
		}
	default:
		if memory {
			pragma("max_page_count", memoryPages)
		} else {
			pragma("journal_mode", "wal")
		}
		pragma("wal_autocheckpoint", 2000)
		pragma("journal_size_limit", 4<<20)
		q.Set("_txlock", "immediate")
	}
	if r == writer {
		q.Set("_synchronous", "full")
	}
	return name + "?" + q.Encode()
}

// openPool opens one pool of at most n connections and proves it works.
func openPool(ctx context.Context, dsn string, n int) (*sql.DB, error) {
	c, err := sqlite.NewConnector(dsn)
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

// create makes an empty file with our page size. It comes before everything else,
// because turning the write-ahead log on settles the page size.
func create(ctx context.Context, path string) error {
	if info, err := os.Stat(path); err == nil && info.Size() > 0 {
		return nil
	}
	db, err := openPool(ctx, fileURI(path)+fmt.Sprintf("?_pragma=page_size(%d)", pageBytes), 1)
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID))
	return errors.Join(err, os.Chmod(path, fileMode), db.Close())
}

// openConns opens the connections of a file, writers first so that the file and
// its write-ahead log exist when readers come.
func openConns(ctx context.Context, path string, memory, readOnly bool) (*conns, error) {
	var c conns
	var err error
	if !readOnly && !memory {
		err = create(ctx, path)
	}
	if err == nil && !readOnly {
		c.hard, err = openPool(ctx, dsn(path, writer, memory, false), 1)
	}
	if err == nil {
		c.read, err = openPool(ctx, dsn(path, reader, memory, readOnly), 2)
	}
	if err != nil {
		return nil, errors.Join(err, c.close())
	}
	return &c, nil
}

// close closes all connections. The last one to close folds the write-ahead log
// into the file.
func (c *conns) close() error {
	var errs []error
	for _, db := range []*sql.DB{c.read, c.hard} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// code returns the primary SQLite result code of an error, or 0.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// isDamage reports whether the error says that the file itself is broken.
func isDamage(err error) bool {
	switch code(err) {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT:
		return true
	}
	return false
}

// isRefusal reports whether the disk did not take a write: full, read-only, I/O
// error, locked by another process, or not to be opened.
func isRefusal(err error) bool {
	switch code(err) {
	case sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN,
		sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PERM, sqlite3.SQLITE_NOMEM:
		return true
	}
	return false
}

// inWords says what a refusal means for a person.
func inWords(err error) string {
	switch code(err) {
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
	}
	return strconv.Quote(err.Error())
}
