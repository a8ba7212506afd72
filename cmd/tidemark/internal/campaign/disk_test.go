package campaign

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"tidemark/alert"
	"tidemark/deploy/outsidetest"
)

// diskFull plays days on a small file system of its own which is filled to the last
// byte for a random stretch of the day and then freed. That needs root.
func diskFull(c *campaign, r *result, trials int) {
	day := story()
	for ; r.trials < trials; r.trials++ {
		dir := tempDir()
		err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=4m")
		if errors.Is(err, unix.EPERM) && !outsidetest.CI() {
			c.Skip("a file system of its own needs root")
		}
		must(err)
		from := day.Start.Add(time.Duration(c.dice.Int64N(int64(day.Until.Sub(day.Start)))))
		full := stretch{from, from.Add(time.Duration(c.dice.Int64N(int64(3 * time.Hour))))}
		filler := filepath.Join(dir, "filler")
		got := playIn(dir, trouble{before: func(now time.Time) {
			switch {
			case full.holds(now) && now.Before(day.Until):
				fill(filler)
			case !now.Before(full.from):
				_ = os.Remove(filler) // gone already
			}
		}})
		r.compare(c.plain.kept(), got.kept(), anyTime)
		r.countRises(got.rises, asTold)
		r.gaps(got.rises, false)
		must(unix.Unmount(dir, unix.MNT_DETACH))
		must(os.Remove(dir))
	}
}

// fill takes the last bytes of the file system.
func fill(path string) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	for _, size := range []int{64 << 10, 4 << 10, 1} {
		for err == nil {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, unix.ENOSPC) {
			must(err)
		}
		err = nil
		if f == nil {
			return // not even its name fits
		}
	}
	must(f.Close())
}

// damagedVessel is the one whose rise is under way when the file is damaged. The
// other's has ended; if the page that says so is damaged, it goes on, and warnings
// about it are right.
const damagedVessel = "tub"

// damagedWithin is how much later a mark may be told when a part of the curve is lost.
const damagedWithin = 40 * time.Minute

// damaged stops a day in the middle of a rise, writes chance over random pages of the
// history and goes on. The watch must go on whatever is left, and where the rise was
// taken up, no kind of warning may be missing or new. Raised twice is right here: the
// note that it was raised may have been on a damaged page. Where less than half of the
// curve is left, nobody knows the start well enough to be sure in time that it is over.
func damaged(c *campaign, r *result, trials int) {
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	noon := story().Start.Add(8 * time.Hour) // half way up the tub's rise
	d := openDay(dir, story().Start, 0, trouble{})
	d.run(noon)
	d.watch.close()
	whole := ok(os.ReadFile(filepath.Join(dir, historyFile)))
	kept, aside, torn := 0, 0, 0
	rows := curve(dir)
	kinds := func(all []telling) (out []telling) { // each once
		for _, t := range all {
			if t.at = noon; t.vessel == damagedVessel && !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
		return out
	}
	for ; r.trials < trials; r.trials++ {
		again := tempDir()
		must(os.WriteFile(filepath.Join(again, historyFile), damage(whole, c.dice), 0o600))
		stamp(again, noon)
		resumed, setAside, left, heard, err := damagedDay(again, noon, d.next)
		must(os.RemoveAll(again))
		if err != nil {
			r.say("the watch did not go on: %v", err)
		}
		if setAside {
			aside++
		}
		if resumed {
			kept++
			sure := func(t telling) bool { return 2*left >= rows || t.kind != string(alert.Over) }
			if 2*left < rows {
				torn++
			}
			r.compare(kinds(of(c.plain.told, sure)), kinds(of(append(slices.Clone(d.heard), heard...), sure)), anyTime)
		}
	}
	r.note = fmt.Sprintf("put aside %d, rise under way kept %d, of those with less than half of its curve %d", aside, kept, torn)
}

// damage overwrites one to eight random pages. The page size stands in the file's
// header: two bytes, big-endian, at offset 16 (SQLite, "Database File Format", section
// 1.3.2).
func damage(whole []byte, dice *rand.Rand) []byte {
	out := append([]byte(nil), whole...)
	size := int(binary.BigEndian.Uint16(whole[16:]))
	for range 1 + dice.IntN(8) {
		page := out[dice.IntN(len(out)/size)*size:]
		for i := range size {
			page[i] = byte(dice.Uint32())
		}
	}
	return out
}

// curve counts the stored samples of the vessel.
func curve(dir string) (n int) {
	for _, r := range records(dir) {
		if r.vessel == damagedVessel {
			n += len(r.rows)
		}
	}
	return n
}

// damagedDay goes on with a damaged file. A panic anywhere is an error. left is how much
// of the curve was there.
func damagedDay(dir string, noon time.Time, did int) (resumed, setAside bool, left int, heard []telling, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%v", p)
		}
	}()
	d := openDay(dir, noon, did, trouble{longer: damagedWithin})
	if resumed, setAside = d.watch.watches(damagedVessel), d.watch.setAside(); resumed {
		left = curve(dir)
	}
	d.run(d.story.Until)
	d.watch.close()
	return resumed, setAside, left, d.heard, nil
}
