package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tidemark/history"
)

// writesSpan is how much of a day is played for so many vessels: fewer hours for
// many, because they write in long runs that are soon alike.
func writesSpan(n int) time.Duration {
	switch {
	case n <= 10:
		return 24 * time.Hour
	case n <= 100:
		return 6 * time.Hour
	case n <= 1000:
		return 2 * time.Hour
	}
	return 20 * time.Minute
}

// writes plays the writes of a day and says how many bytes reach the disk in a day.
// The clock runs as fast as the machine can, but every minute is kept as the daemon
// keeps it, and then the kernel is made to write everything out at once: the
// history, its log, the index of the log and the tail. That is what a machine does
// that has a minute for it, because dirty pages are written after half a minute
// (Linux, Documentation/admin-guide/sysctl/vm.rst, dirty_expire_centisecs; the
// default is from memory). The figure is write_bytes of proc(5): whole pages of the
// page cache, as they wear a card. What the file system writes for itself is not in
// it.
//
// The tail is written past the page cache where the file system can, which proc(5)
// counts as well. Where it cannot, a minute costs a page of the cache instead, about
// 5 MB more in a day.
//
// A day of a vessel is written in writesday.go.
func (c child) writes(ctx context.Context) error {
	now := time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC)
	s, err := history.Open(ctx, filepath.Join(c.dir, historyFile), history.Options{
		Now: func() time.Time { return now }, FlushEvery: 1000 * time.Hour, Vessels: c.n})
	if err != nil {
		return err
	}
	d := writesDay{child: c, s: s, begin: now, rises: make([]history.Rise, c.n)}
	var before int64
	span := writesSpan(c.n)
	const warmUp = 30 * time.Minute // files grow to their usual size first
	for at := time.Duration(0); at < warmUp+span; at += 10 * time.Second {
		now = d.begin.Add(at)
		if at == warmUp {
			if before, err = written(); err != nil {
				return err
			}
		}
		if err := d.second(ctx, at); err != nil {
			return err
		}
		if at%time.Minute == 50*time.Second {
			if err := errors.Join(s.Keep(ctx), c.writeOut()); err != nil {
				return err
			}
		}
	}
	after, err := written()
	if err != nil {
		return err
	}
	fmt.Println("written", float64(after-before)*float64(24*time.Hour)/float64(span))
	return s.Close(ctx)
}

// written is what this process has written to the disk so far.
func written() (int64, error) { return value("/proc/self/io", "write_bytes:") }

// writeOut makes the kernel write all files of the history.
func (c child) writeOut() error {
	files, err := filepath.Glob(filepath.Join(c.dir, historyFile+"*"))
	if err != nil {
		return err
	}
	for _, name := range files {
		f, err := os.OpenFile(name, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return err
		}
	}
	return nil
}
