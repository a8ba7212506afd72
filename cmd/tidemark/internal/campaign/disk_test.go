package campaign

import (
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"tidemark/alert"
	"tidemark/deploy/outsidetest"
)

// diskFull plays a day on a small file system of its own which is filled to the last
// byte for a random stretch of the day and then freed. That needs root.
func diskFull(r *row) {
	r.tried++
	dir, remove := tempDir()
	defer remove()
	err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=4m")
	if errors.Is(err, unix.EPERM) && !outsidetest.CI() {
		r.Skip("a file system of its own needs root")
	}
	must(err)
	from := r.within()
	full := stretch{from, from.Add(r.upTo(3 * time.Hour))}
	filler := filepath.Join(dir, "filler")
	got := playIn(dir, trouble{before: func(now time.Time) {
		switch {
		case full.holds(now) && now.Before(story(0).Until):
			fill(filler)
		case !now.Before(full.from):
			_ = os.Remove(filler) // gone already
		}
	}})
	r.compare(r.plain.kept(), got.kept(), anyTime)
	r.holdRises(got.rises, 0)
	r.holdRows(got.rises, false)
	must(unix.Unmount(dir, unix.MNT_DETACH))
}

// fill takes the last bytes of the file system.
func fill(path string) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if errors.Is(err, unix.ENOSPC) {
		return // not even its name fits
	}
	for _, size := range []int{64 << 10, 4 << 10, 1} {
		for err == nil {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, unix.ENOSPC) {
			must(err)
		}
		err = nil
	}
	must(f.Close())
}

// damagedVessel is the one whose rise is under way when the file is damaged. The
// other's has ended; if the page that says so is damaged, it goes on, and warnings
// about it are right.
const damagedVessel = "tub"

// damaged stops a day in the middle of a rise, writes chance over random pages of the
// history and goes on. The watch must go on whatever is left, and where the rise was
// taken up, no kind of warning may be missing or new; a mark may be told 40 minutes
// later, for a part of the curve may be lost. Raised twice is right here: the note that
// it was raised may have been on a damaged page. Where less than half of the curve is
// left, nobody knows the start well enough to be sure in time that it is over.
func damaged(r *row) {
	dir, remove := tempDir()
	defer remove()
	noon := story(0).Start.Add(8 * time.Hour) // half way up the tub's rise
	d := openDay(dir, story(0).Start, 0, trouble{})
	d.run(noon)
	d.watch.close()
	whole, rows := ok(os.ReadFile(filepath.Join(dir, historyFile))), curve(dir)
	for ; r.tried < r.trials; r.tried++ {
		r.goOn(r.damage(whole), noon, d, rows)
	}
}

// damage overwrites one to eight random pages. The page size stands in the file's
// header: two bytes, big-endian, at offset 16 (SQLite, "Database File Format", section
// 1.3.2).
func (r *row) damage(whole []byte) []byte {
	out := slices.Clone(whole)
	size := int(binary.BigEndian.Uint16(whole[16:]))
	for range 1 + r.dice.IntN(8) {
		page := out[r.dice.IntN(len(out)/size)*size:]
		for i := range size {
			page[i] = byte(r.dice.Uint32())
		}
	}
	return out
}

// curve counts the stored samples of the vessel.
func curve(dir string) (n int) {
	for _, x := range records(dir) {
		if x.vessel == damagedVessel {
			n += len(x.rows)
		}
	}
	return n
}

// goOn goes on with a damaged file where a day stopped with so many rows. A panic
// anywhere is a finding.
func (r *row) goOn(file []byte, noon time.Time, stopped *day, rows int) {
	dir, remove := tempDir()
	defer remove()
	defer func() {
		if p := recover(); p != nil {
			r.say("the watch did not go on: %v", p)
		}
	}()
	must(os.WriteFile(filepath.Join(dir, historyFile), file, 0o600))
	stamp(dir, noon)
	d := openDay(dir, noon, stopped.next, trouble{later: 40 * time.Minute})
	if d.watch.store.Opened().Quarantine != "" {
		r.noted["put-aside"]++
	}
	resumed, left := d.watch.vessel(damagedVessel).RiseID != 0, 0
	if resumed {
		left = curve(dir)
		r.noted["kept"]++
	}
	d.run(d.story.Until)
	d.watch.close()
	if !resumed {
		return
	}
	kinds := func(all []telling) (out []telling) { // each once
		for _, t := range all {
			sure := 2*left >= rows || !t.is(alert.Over)
			if t.at = noon; sure && t.vessel == damagedVessel && !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
		return out
	}
	r.compare(kinds(r.plain.told), kinds(append(slices.Clone(stopped.heard), d.heard...)), anyTime)
}
