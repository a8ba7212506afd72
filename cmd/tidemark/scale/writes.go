package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"

	"tidemark/estimator"
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
// A day of a vessel is four invented rises, a row in ten seconds, a change of the
// rise in an hour and a warning in a rise.
func (c child) writes(ctx context.Context) error {
	now := time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC)
	s, err := history.Open(ctx, filepath.Join(c.dir, historyFile), history.Options{
		Now: func() time.Time { return now }, FlushEvery: 1000 * time.Hour, KeepRows: history.RowsFor(c.n)})
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

// writesDay is a day of writes under way.
type writesDay struct {
	child
	s     *history.Store
	begin time.Time
	rises []history.Rise
}

// second plays the writes of one moment.
func (d *writesDay) second(ctx context.Context, at time.Duration) error {
	now := d.begin.Add(at)
	for i := range d.rises {
		r := &d.rises[i]
		age := at + time.Duration(i)*7*time.Minute // not all at once
		if r.ID == 0 || age%(6*time.Hour) < 10*time.Second {
			if err := d.begins(ctx, i, now); err != nil {
				return err
			}
		}
		if age%time.Hour < 10*time.Second {
			r.MaxRate = float64(age / time.Hour)
			if err := d.s.UpdateRise(ctx, *r); err != nil {
				return err
			}
		}
		h := float64(age%(6*time.Hour)) / float64(time.Hour)
		pct := 120/(1+math.Exp(4-h)) + math.Sin(float64(now.Unix())*1.7)/4
		if err := d.s.AppendRow(r.ID, history.Row{Time: now, DistanceMM: 180 - 9*h + math.Sin(float64(now.Unix()))/3, DoughC: doughC(i, now), AirC: 22 + math.Sin(float64(now.Unix())/2000),
			RisePercent: pct, RiseSD: 0.4, EquivHours: h * 1.05}); err != nil {
			return err
		}
	}
	return nil
}

// begins ends a rise and begins the next.
func (d *writesDay) begins(ctx context.Context, i int, now time.Time) error {
	r := d.rises[i]
	if r.ID != 0 {
		r.EndedAt = now
		if err := d.s.EndRise(ctx, r); err != nil {
			return err
		}
	}
	r = history.Rise{Vessel: name(i), Holds: estimator.Dough, StartedAt: now, TargetPercent: 100}
	var err error
	if r.ID, err = d.s.BeginRise(ctx, r); err != nil {
		return err
	}
	d.rises[i] = r
	return d.s.SaveAlarm(ctx, warning(r, now), nil)
}

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
