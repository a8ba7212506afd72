package campaign

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/deploy/outsidetest"
)

// childArgs names the variable that makes this test play a day on standard output: a
// folder, a moment in Unix milliseconds, the number of events done, with blanks between.
const childArgs = "TIDEMARK_CAMPAIGN_CHILD"

// child is what a process that plays a day tells of itself.
type child struct {
	At     time.Time            // the last step that was done
	Did    int                  // events done, as the person saw them confirmed
	Stored map[string]time.Time // last row of each rise under way when it was opened; nil before
	Over   bool
}

// playChild tells everything that the parent wants to know.
func playChild(args string) {
	var dir string
	var milli int64
	c, out := child{}, json.NewEncoder(os.Stdout)
	_ = ok(fmt.Sscan(args, &dir, &milli, &c.Did))
	c.At = time.UnixMilli(milli).UTC()
	var d *day
	d = openDay(dir, c.At, c.Did, trouble{before: func(now time.Time) { // the step before is done
		c.At, c.Did, c.Stored = now.Add(-stepEvery), d.next, nil
		must(out.Encode(c))
	}})
	c.Stored = lastRows(d.watch.store)
	must(out.Encode(c))
	d.run(d.story.Until)
	d.watch.close()
	c.Over = true
	must(out.Encode(c))
}

// runChild runs a day from where another process left it until it ends or, after a span
// of this machine's time, is killed. wrap stands before the command line, for a tracer.
func runChild(wrap []string, dir string, at time.Time, did int, killAfter time.Duration) (c child, ready bool) {
	args := append(slices.Clone(wrap), os.Args[0])
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d %d", childArgs, dir, at.UnixMilli(), did))
	cmd.Stderr = os.Stderr
	out := json.NewDecoder(ok(cmd.StdoutPipe()))
	must(cmd.Start())
	if killAfter > 0 {
		defer time.AfterFunc(killAfter, func() { _ = cmd.Process.Kill() }).Stop()
	}
	c = child{At: at, Did: did}
	for more := true; more; {
		said := child{}
		err := out.Decode(&said)
		if more = err == nil; more {
			ready = true
			c = child{said.At, said.Did, c.Stored, said.Over}
			if said.Stored != nil {
				c.Stored = said.Stored
			}
		} else if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			must(err)
		}
	}
	if err := cmd.Wait(); err != nil && (killAfter == 0 || cmd.ProcessState.Exited()) {
		must(fmt.Errorf("the day from %s on: %w", at.Format(time.TimeOnly), err))
	}
	return c, ready
}

// killed kills a process up to ten times in the middle of a day, at random moments of the
// machine's time, start-up among them, and starts another up to two minutes later in
// kitchen time. What it warned of is held against a day in one piece that lacks the same
// readings: those of the time in which nobody watched and those that were lost.
func killed(r *row) {
	kills := min(10, r.trials-r.tried)
	dir, remove := tempDir()
	defer remove()
	at := story(0).Start
	last, from := child{At: at}, at // from is where the process before began
	var gaps []stretch
	for round := 0; !last.Over; round++ {
		wait := time.Duration(0)
		if round < kills { // a day takes about as long as the undisturbed one
			wait = 1 + time.Duration(r.dice.Int64N(int64(2*r.took/time.Duration(kills+1))))
		}
		stamp(dir, last.At)
		now, ready := runChild(nil, dir, at, last.Did, wait)
		if ready && round > 0 {
			gaps = append(gaps, stretch{r.lostBefore(from, last.At, now.Stored).Add(1), at.Add(1)})
		}
		if !now.Over {
			r.tried++
		}
		if ready {
			from, last = at, now
		}
		if at.Before(last.At) {
			at = last.At
		}
		at = at.Add(time.Duration(r.dice.IntN(12)) * stepEvery)
	}
	got := ledger{rises: records(dir)}
	r.compare(play(trouble{absent: gaps}).kept(), got.kept(), anyTime)
	r.holdRises(got.rises, 0)
}

// lostBefore takes in how far the stored readings lie behind the last that was taken,
// for every rise under way, and returns the last that is there. Before from nobody
// watched: that is no loss.
func (r *row) lostBefore(from, seen time.Time, stored map[string]time.Time) (last time.Time) {
	for vessel, at := range stored {
		if at.IsZero() {
			continue
		}
		if at.After(last) {
			last = at
		}
		if at.Before(from) {
			at = from
		}
		r.lose(vessel, seen.Sub(at), seen)
	}
	if last.IsZero() {
		return seen
	}
	return last
}

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
func powerCut(r *row) {
	strace := outsidetest.Program(r, "strace", "strace")
	dir, remove := tempDir()
	defer remove()
	logs, removeLogs := tempDir()
	defer removeLogs()
	log := filepath.Join(logs, "trace")
	runChild([]string{strace, "-ff", "-ttt", "--seccomp-bpf", "-qq", "-xx", "-s", "200000", "-o", log, "-e", "signal=none",
		"-e", "trace=open,openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,unlinkat,rename,renameat,renameat2,close"}, dir, story(0).Start, 0, 0)
	trace := readTrace(log, dir)
	r.noted["writes-and-syncs"] = len(trace)
	for ; r.tried < r.trials; r.tried++ {
		r.cut(trace)
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

// readTrace reads what strace wrote of the files in a folder: the calls of all threads in
// the order in which they began, each with its time, name, arguments and answer.
func readTrace(log, dir string) (steps []operation) {
	call := regexp.MustCompile(`(?m)^(\d+\.\d+) (\w+)\((?:AT_FDCWD, )?(.*)\) += (\d+)`)
	var calls [][]string
	for _, thread := range ok(filepath.Glob(log + ".*")) {
		calls = append(calls, call.FindAllStringSubmatch(string(ok(os.ReadFile(thread))), -1)...)
	}
	slices.SortStableFunc(calls, func(a, b []string) int { return strings.Compare(a[1], b[1]) })
	files, now := map[string]string{}, time.Time{} // by descriptor; kitchen time
	unhex := func(s string) []byte { return ok(hex.DecodeString(strings.ReplaceAll(strings.Trim(s, `"`), `\x`, ""))) }
	number := func(s string) int64 { return ok(strconv.ParseInt(s, 10, 64)) }
	inside := func(path string) string { // the index beside the log (-shm) is made anew at every start
		rel, within := strings.CutPrefix(string(unhex(path)), dir+"/")
		if !within || strings.HasSuffix(rel, "-shm") {
			return ""
		}
		return rel
	}
	for _, m := range calls {
		arg, o := strings.Split(m[3], ", "), operation{at: now}
		o.file = files[arg[0]]
		switch m[2] {
		case "open", "openat":
			files[m[4]] = inside(arg[0])
			if o.file = files[m[4]]; strings.Contains(arg[1], "O_TRUNC") {
				o.kind = "truncate"
			}
		case "rename", "renameat", "renameat2":
			arg = slices.DeleteFunc(arg, func(s string) bool { return s == "AT_FDCWD" })
			o.kind, o.file, o.to = "rename", inside(arg[0]), inside(arg[1])
		case "unlink", "unlinkat":
			o.kind, o.file = "remove", inside(arg[0])
		case "pwrite64":
			o.kind, o.off, o.data = "write", number(arg[3]), unhex(arg[1])
		case "write":
			if o.file != "" {
				panic("a write without an offset to " + o.file)
			}
			said := child{}
			if arg[0] == "1" && json.Unmarshal(unhex(arg[1]), &said) == nil { // the child's word of the time
				now = said.At.Add(stepEvery)
			}
		case "fsync", "fdatasync":
			o.kind = "sync"
		case "ftruncate":
			o.kind, o.off = "truncate", number(arg[1])
		case "close":
			delete(files, arg[0])
		}
		if o.kind != "" && o.file != "" {
			steps = append(steps, o)
		}
	}
	if len(steps) == 0 {
		panic("strace saw no write to the history: what it prints is not understood")
	}
	return steps
}

// disk is a file as it is on the disk, with the operations that are not yet safe.
type disk struct {
	data    []byte
	exists  bool
	pending []operation
}

// apply carries one operation out.
func (d *disk) apply(o operation) {
	d.exists = true
	if end := int(o.off) + len(o.data); end > len(d.data) {
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

// cut cuts the power at a random operation of the trace and opens the history on what
// the disk holds then.
func (r *row) cut(trace []operation) {
	at := 1 + r.dice.IntN(len(trace))
	now := trace[at-1].at
	disks := map[string]*disk{}
	for _, o := range trace[:at] {
		if disks[o.file] == nil {
			disks[o.file] = &disk{}
		}
		d := disks[o.file]
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
	dir, remove := tempDir()
	defer remove()
	for _, file := range slices.Sorted(maps.Keys(disks)) {
		d := disks[file]
		d.settle(now.Add(-writeback))
		chance := r.dice.Float64()
		for _, o := range d.pending { // a random part, sector by sector
			if o.kind == "truncate" && r.dice.Float64() < chance {
				d.apply(o)
			}
			for part := range slices.Chunk(o.data, sector) {
				if r.dice.Float64() < chance {
					d.apply(operation{kind: "write", off: o.off, data: part})
				}
				o.off += int64(len(part))
			}
		}
		if d.exists {
			must(os.MkdirAll(filepath.Dir(filepath.Join(dir, file)), 0o700))
			must(os.WriteFile(filepath.Join(dir, file), d.data, 0o600))
		}
	}
	stamp(dir, now)
	last, damaged := afterCut(dir, now)
	if damaged {
		r.say("a file was damaged by a power cut at %s", now.Format(time.TimeOnly))
	}
	r.lostBefore(time.Time{}, now.Add(-stepEvery), last) // the step of the cut was not done
	for _, v := range story(0).Vessels {
		if _, there := last[v.Name]; !there && underWay(v.Name, stretch{now.Add(-stepEvery), now.Add(stepEvery)}) {
			r.count(&r.rises, "lost the rise of %s at %s", v.Name, now.Format(time.TimeOnly))
		}
	}
}
