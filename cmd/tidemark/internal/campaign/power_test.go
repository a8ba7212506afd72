package campaign

import (
	"bufio"
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
	runChild([]string{strace, "-f", "--seccomp-bpf", "-qq", "-xx", "-s", "200000", "-o", log, "-e", "signal=none",
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

// tracer follows a trace line by line.
type tracer struct {
	dir   string
	fds   map[string]string // descriptor to file
	now   time.Time
	steps []operation
	open, write, onFD, gone,
	renamed *regexp.Regexp
}

// readTrace reads what strace wrote of the files in a folder.
func readTrace(log, dir string) []operation {
	t := &tracer{dir: dir, fds: map[string]string{},
		open:    regexp.MustCompile(`open(?:at)?\((?:AT_FDCWD, )?"([^"]*)", (\S+).* = (\d+)$`),
		write:   regexp.MustCompile(`write(?:64)?\((\d+), "([^"]*)", \d+(?:, (\d+))?`),
		onFD:    regexp.MustCompile(`(fsync|fdatasync|close|ftruncate)\((\d+)(?:, (\d+))?`),
		gone:    regexp.MustCompile(`unlink(?:at)?\((?:AT_FDCWD, )?"([^"]*)"`),
		renamed: regexp.MustCompile(`rename(?:at2?)?\((?:AT_FDCWD, )?"([^"]*)", (?:AT_FDCWD, )?"([^"]*)"`),
	}
	f := ok(os.Open(log))
	defer f.Close()
	scan := bufio.NewScanner(f)
	scan.Buffer(nil, 4<<20)
	for scan.Scan() {
		t.line(scan.Text())
	}
	must(scan.Err())
	if len(t.steps) == 0 {
		panic("strace saw no write to the history: what it prints is not understood")
	}
	return t.steps
}

// line takes in one call.
func (t *tracer) line(s string) {
	if m := t.open.FindStringSubmatch(s); m != nil {
		delete(t.fds, m[3])
		if file := t.file(m[1]); file != "" {
			t.fds[m[3]] = file
			if strings.Contains(m[2], "O_TRUNC") {
				t.add(operation{file: file, kind: "truncate"})
			}
		}
	} else if m := t.renamed.FindStringSubmatch(s); m != nil {
		t.add(operation{file: t.file(m[1]), kind: "rename", to: t.file(m[2])})
	} else if m := t.gone.FindStringSubmatch(s); m != nil {
		t.add(operation{file: t.file(m[1]), kind: "remove"})
	} else if m := t.write.FindStringSubmatch(s); m != nil {
		t.wrote(m[1], m[2], m[3])
	} else if m := t.onFD.FindStringSubmatch(s); m != nil {
		off, _ := strconv.ParseInt(m[3], 10, 64)
		kind := map[string]string{"ftruncate": "truncate", "fsync": "sync", "fdatasync": "sync"}[m[1]]
		if kind != "" {
			t.add(operation{file: t.fds[m[2]], kind: kind, off: off})
		} else {
			delete(t.fds, m[2])
		}
	}
}

// add keeps an operation on a file of ours.
func (t *tracer) add(o operation) {
	if o.at = t.now; o.file != "" {
		t.steps = append(t.steps, o)
	}
}

// file says which file of the folder a path is; empty for none. The index beside the
// log (-shm) is made anew at every start.
func (t *tracer) file(hexPath string) string {
	rel, inside := strings.CutPrefix(string(unhex(hexPath)), t.dir+"/")
	if !inside || strings.HasSuffix(rel, "-shm") {
		return ""
	}
	return rel
}

// unhex decodes the way strace -xx writes text.
func unhex(s string) []byte { return ok(hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))) }

// wrote takes in a write to a file of ours, or the child's word of the time.
func (t *tracer) wrote(fd, text, off string) {
	file, ours := t.fds[fd]
	switch data := unhex(text); {
	case ours && off == "":
		panic("a write without an offset to " + file)
	case ours:
		t.add(operation{file: file, kind: "write", off: ok(strconv.ParseInt(off, 10, 64)), data: data})
	case fd == "1":
		said := child{stored: map[string]time.Time{}}
		if said.take(strings.Fields(string(data))); !said.at.IsZero() {
			t.now = said.at.Add(stepEvery)
		}
	}
}

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
		case "rename": // it and removing are the file system's own journalled acts: taken as done
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
		if _, there := last[v.Name]; !there && underWay(v.Name, now.Add(-stepEvery), now.Add(stepEvery)) {
			r.rises++
			r.say("lost the rise of %s at %s", v.Name, now.Format(time.TimeOnly))
		}
	}
	if damaged {
		return 1
	}
	return 0
}
