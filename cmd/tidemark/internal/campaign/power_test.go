package campaign

import (
	"encoding/hex"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/deploy/outsidetest"
)

// What a computer does to written but unsynced data, modelled.
const (
	// sector is what a disk writes in one go: a cut falls between two of them.
	sector = 512
	// writeback is when the kernel has written dirty pages at the latest: 30 s until
	// they count as old and 5 s until somebody looks (Linux kernel,
	// Documentation/admin-guide/sysctl/vm.rst, dirty_expire_centisecs and
	// dirty_writeback_centisecs, their defaults from memory).
	writeback = 35 * time.Second
)

// powerCut plays one day under strace, keeps every write and sync of the watch's files
// with the kitchen's time, and then cuts the power at random moments: what was synced
// is there; of what was not, a random part, down to single sectors, in any order; what
// is older than writeback is there as well. The history is opened on what is left.
func powerCut(c *campaign, r *result, trials int) {
	strace := outsidetest.Program(c, "strace", "strace")
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	log := filepath.Join(tempDir(), "trace")
	defer func() { _ = os.RemoveAll(filepath.Dir(log)) }()
	runChild([]string{strace, "-ff", "-ttt", "--seccomp-bpf", "-qq", "-xx", "-s", "200000", "-o", log, "-e", "signal=none",
		"-e", "trace=open,openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,unlinkat,rename,renameat,renameat2,close"}, dir, story().Start, 0, 0)
	trace := readTrace(log, dir)
	setAside := 0
	for range trials {
		setAside += r.cut(trace, c.dice)
	}
	r.note = fmt.Sprintf("%d writes and syncs of a day; damaged files: %d", len(trace), setAside)
	if setAside > 0 {
		r.say("%d files damaged by a power cut, bound 0", setAside)
	}
}

// operation is one thing the process asked of the disk.
type operation struct {
	at   time.Time // kitchen time
	file string    // within the folder
	kind string    // write, sync, truncate, remove, rename
	off  int64
	data []byte
	to   string // of a rename
}

// calls returns the system calls of all threads, each with its name, arguments and
// answer, in the order in which they began.
func calls(log string) (out [][]string) {
	call := regexp.MustCompile(`(?m)^(\d+\.\d+) (\w+)\((.*)\) += (\d+)`)
	for _, thread := range ok(filepath.Glob(log + ".*")) {
		out = append(out, call.FindAllStringSubmatch(string(ok(os.ReadFile(thread))), -1)...)
	}
	slices.SortStableFunc(out, func(a, b []string) int { return strings.Compare(a[1], b[1]) })
	return out
}

// readTrace reads what strace wrote of the files in a folder.
func readTrace(log, dir string) (steps []operation) {
	fds, now := map[string]string{}, time.Time{} // descriptor to file; kitchen time
	for _, m := range calls(log) {
		arg, answer := strings.Split(strings.TrimPrefix(m[3], "AT_FDCWD, "), ", "), m[4]
		add := func(o operation) {
			if o.at = now; o.file != "" {
				steps = append(steps, o)
			}
		}
		switch m[2] {
		case "open", "openat":
			delete(fds, answer)
			if file := fileIn(dir, arg[0]); file != "" {
				fds[answer] = file
				if strings.Contains(arg[1], "O_TRUNC") {
					add(operation{file: file, kind: "truncate"})
				}
			}
		case "rename", "renameat", "renameat2":
			arg = slices.DeleteFunc(arg, func(s string) bool { return s == "AT_FDCWD" })
			add(operation{file: fileIn(dir, arg[0]), kind: "rename", to: fileIn(dir, arg[1])})
		case "unlink", "unlinkat":
			add(operation{file: fileIn(dir, arg[0]), kind: "remove"})
		case "pwrite64":
			add(operation{file: fds[arg[0]], kind: "write", off: number(arg[3]), data: unhex(arg[1])})
		case "write":
			if file := fds[arg[0]]; file != "" {
				panic("a write without an offset to " + file)
			}
			said := child{stored: map[string]time.Time{}}
			if arg[0] == "1" { // the child's word of the time
				if said.take(strings.Fields(string(unhex(arg[1])))); !said.at.IsZero() {
					now = said.at.Add(stepEvery)
				}
			}
		case "fsync", "fdatasync":
			add(operation{file: fds[arg[0]], kind: "sync"})
		case "ftruncate":
			add(operation{file: fds[arg[0]], kind: "truncate", off: number(arg[1])})
		case "close":
			delete(fds, arg[0])
		}
	}
	if len(steps) == 0 {
		panic("strace saw no write to the history: what it prints is not understood")
	}
	return steps
}

// fileIn says which file of the folder a path is; empty for none. The index beside
// the log (-shm) is made anew at every start.
func fileIn(dir, hexPath string) string {
	rel, inside := strings.CutPrefix(string(unhex(hexPath)), dir+"/")
	if !inside || strings.HasSuffix(rel, "-shm") {
		return ""
	}
	return rel
}

// unhex decodes the way strace -xx writes text.
func unhex(s string) []byte {
	return ok(hex.DecodeString(strings.ReplaceAll(strings.Trim(s, `"`), `\x`, "")))
}

func number(s string) int64 { return ok(strconv.ParseInt(s, 10, 64)) }

// disk is a file as it is on the disk, with the operations that are not yet safe.
type disk struct {
	data    []byte
	exists  bool
	pending []operation
}

// apply carries one operation out.
func (d *disk) apply(o operation) {
	end := int(o.off) + len(o.data)
	d.exists = true
	if end > len(d.data) {
		d.data = append(d.data, make([]byte, end-len(d.data))...)
	}
	if o.kind == "truncate" {
		d.data = d.data[:o.off]
	}
	copy(d.data[o.off:], o.data)
}

// settle makes everything safe that stands before the first operation at or after a
// moment.
func (d *disk) settle(before time.Time) {
	for len(d.pending) > 0 && d.pending[0].at.Before(before) {
		d.apply(d.pending[0])
		d.pending = d.pending[1:]
	}
}

// tear carries a random part of what is pending out, sector by sector.
func (d *disk) tear(dice *rand.Rand) {
	chance := dice.Float64()
	for _, o := range d.pending {
		if o.kind == "truncate" && dice.Float64() < chance {
			d.apply(o)
		}
		for part := range slices.Chunk(o.data, sector) {
			if dice.Float64() < chance {
				d.apply(operation{kind: "write", off: o.off, data: part})
			}
			o.off += int64(len(part))
		}
	}
	d.pending = nil
}

// cut cuts the power at a random operation of the trace and opens the history on what
// the disk holds then. It returns 1 when that was damaged.
func (r *result) cut(trace []operation, dice *rand.Rand) (setAside int) {
	at := 1 + dice.IntN(len(trace))
	now := trace[at-1].at
	disks := map[string]*disk{}
	for _, o := range trace[:at] {
		d := disks[o.file]
		if d == nil {
			d = &disk{}
			disks[o.file] = d
		}
		switch o.kind {
		case "sync":
			d.settle(now.Add(time.Hour))
		case "rename": // it and removing are the file system's own journalled events: taken as done
			disks[o.to] = d
			delete(disks, o.file)
		case "remove":
			delete(disks, o.file)
		default:
			d.pending = append(d.pending, o)
		}
	}
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	for _, file := range slices.Sorted(maps.Keys(disks)) {
		d := disks[file]
		d.settle(now.Add(-writeback))
		d.tear(dice)
		if d.exists {
			must(os.MkdirAll(filepath.Dir(filepath.Join(dir, file)), 0o700))
			must(os.WriteFile(filepath.Join(dir, file), d.data, 0o600))
		}
	}
	r.trials++
	stamp(dir, now)
	last, damaged := afterCut(dir, now)
	r.lostBefore(time.Time{}, now.Add(-stepEvery), last) // the step of the cut was not done
	for _, v := range story().Vessels {
		if _, there := last[v.Name]; !there && underWay(v.Name, stretch{now.Add(-stepEvery), now.Add(stepEvery)}) {
			r.rises++
			r.say("lost the rise of %s at %s", v.Name, now.Format(time.TimeOnly))
		}
	}
	if damaged {
		return 1
	}
	return 0
}
