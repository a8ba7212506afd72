package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// diskFull plays days on a small file system of its own which is filled to the
// last byte for a random stretch of the day and then freed.
func diskFull(ctx context.Context, s setting) (result, error) {
	var r result
	dice := rand.New(rand.NewPCG(s.seed, 3))
	for range s.pick(3, 40) {
		err := r.fullDay(ctx, s, dice)
		if errors.Is(err, unix.EPERM) && os.Getenv("CI") != "true" {
			return result{trials: 1, note: "left out: a file system of its own needs root"}, nil
		}
		if err != nil {
			return r, err
		}
	}
	r.note = fmt.Sprintf("most rows held in memory: %d", r.held)
	return r, nil
}

// smallDisk mounts a file system that holds 4 MB.
func smallDisk() (dir string, gone func(), err error) {
	dir, err = os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return "", nil, err
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		_ = os.Remove(dir)
		return "", nil, fmt.Errorf("a small file system: %w", err)
	}
	return dir, func() {
		_ = unix.Unmount(dir, unix.MNT_DETACH)
		_ = os.Remove(dir)
	}, nil
}

// fullDay plays one day with a full disk in it.
func (r *result) fullDay(ctx context.Context, s setting, dice *rand.Rand) error {
	dir, gone, err := smallDisk()
	if err != nil {
		return err
	}
	defer gone()
	story := household(dayOf(0))
	span := story.Until.Sub(story.Start)
	from := story.Start.Add(time.Duration(dice.Int64N(int64(span))))
	until := from.Add(time.Duration(dice.Int64N(int64(3 * time.Hour))))
	d, err := openDay(ctx, dir, story, story.Start, 0)
	if err != nil {
		return err
	}
	var got ledger
	d.heard = got.hear
	filler := filepath.Join(dir, "filler")
	d.before = func(now time.Time) error {
		r.held = max(r.held, d.store.Health().WaitingRows)
		if now.Before(from) {
			return nil
		}
		if now.Before(until) {
			return fill(filler)
		}
		if err := os.Remove(filler); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		return nil
	}
	err = d.run(ctx, story.Until)
	_ = os.Remove(filler) // the stretch may have reached the end of the day
	if err = errors.Join(err, d.close(ctx)); err != nil {
		return err
	}
	r.trials++
	if err := got.close(ctx, dir); err != nil {
		return err
	}
	r.add(s.plain, got)
	return r.gaps(ctx, dir)
}

// fill takes the last bytes of the file system.
func fill(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if errors.Is(err, unix.ENOSPC) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	for _, size := range []int{64 << 10, 4 << 10, 1} {
		for err == nil {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, unix.ENOSPC) && !errors.Is(err, io.ErrShortWrite) {
			return err
		}
		err = nil
	}
	return nil
}

// gaps looks through the stored rises for readings that are not there although
// the process ran all day.
func (r *result) gaps(ctx context.Context, dir string) error {
	s, rises, err := openRises(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close(ctx) }()
	for _, rise := range rises {
		last := rise.StartedAt
		for row, err := range s.Rows(ctx, rise.ID, time.Time{}, time.Time{}) {
			if err != nil {
				return err
			}
			if gap := row.Time.Sub(last) - stepEvery; gap > 0 {
				r.lostReading = max(r.lostReading, gap)
			}
			last = row.Time
		}
	}
	return nil
}
