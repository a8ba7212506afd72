package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// What a computer does to written but unsynced data, modelled.
const (
	// sector is what a disk writes in one go: a cut falls between two of them.
	sector = 512
	// writeback is when the kernel has written dirty pages at the latest: 30 s
	// until they count as old and 5 s until somebody looks (Linux kernel,
	// Documentation/admin-guide/sysctl/vm.rst, dirty_expire_centisecs and
	// dirty_writeback_centisecs, their defaults from memory).
	writeback = 35 * time.Second
)

// powerCut plays one day under strace, keeps every write and sync of the history
// file with the kitchen's time, and then cuts the power at random moments: what
// was synced is there; of what was not, a random part, down to single sectors, in
// any order; what is older than writeback is there as well. The history is opened
// on what is left.
func powerCut(ctx context.Context, s setting) (result, error) {
	var r result
	if _, err := exec.LookPath("strace"); err != nil {
		if os.Getenv("CI") == "true" {
			return r, errors.New("strace is not here; CI has to install the Debian package strace")
		}
		return result{trials: 1, note: "left out: strace is not here (Debian package strace)"}, nil
	}
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return r, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	trace, err := traced(ctx, dir)
	if err != nil {
		return r, err
	}
	dice := rand.New(rand.NewPCG(s.seed, 2))
	for range s.pick(25, 500) {
		if err := r.cut(ctx, trace, dice); err != nil {
			return r, err
		}
	}
	r.note = fmt.Sprintf("%d writes and syncs of a day; damaged files: %d", len(trace), r.damaged)
	if r.damaged > 0 {
		r.bad = append(r.bad, fmt.Sprintf("%d files damaged by a power cut, bound 0", r.damaged))
	}
	return r, nil
}

// traced plays a day under strace.
func traced(ctx context.Context, dir string) ([]operation, error) {
	log := filepath.Join(dir, "trace")
	story := household(dayOf(0))
	c, err := start(ctx, []string{"strace", "-f", "--seccomp-bpf", "-qq", "-xx", "-s", "200000", "-o", log,
		"-e", "signal=none", "-e", "trace=open,openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,close"}, dir, story.Start, 0, story.Until)
	if err != nil {
		return nil, err
	}
	told := said{stored: map[string]time.Time{}}
	if err := c.listen(&told, func() bool { return false }); err != nil {
		return nil, fmt.Errorf("the day under strace: %w", err)
	}
	return readTrace(log, filepath.Join(dir, historyFile))
}

// operation is one thing the process asked of the disk, or told the parent.
type operation struct {
	at   time.Time // kitchen time
	file string    // "", "-wal", "-journal" or "-tail"
	kind string    // write, sync, truncate, remove
	off  int64
	data []byte
}

var (
	traceOpen  = regexp.MustCompile(`open(?:at)?\((?:AT_FDCWD, )?"([^"]*)".* = (\d+)$`)
	traceWrite = regexp.MustCompile(`p?write(?:64)?\((\d+), "([^"]*)", \d+(?:, (\d+))?`)
	traceFD    = regexp.MustCompile(`(fsync|fdatasync|close|ftruncate)\((\d+)(?:, (\d+))?`)
	traceGone  = regexp.MustCompile(`unlink\("([^"]*)"`)
)

// tracer follows a trace line by line.
type tracer struct {
	base  string            // path of the history file
	fds   map[string]string // descriptor to suffix of the file
	now   time.Time
	steps []operation
}

// readTrace reads what strace wrote.
func readTrace(log, base string) ([]operation, error) {
	f, err := os.Open(log)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t := &tracer{base: base, fds: map[string]string{}}
	scan := bufio.NewScanner(f)
	scan.Buffer(nil, 4<<20)
	for scan.Scan() {
		if err := t.line(scan.Text()); err != nil {
			return nil, err
		}
	}
	if len(t.steps) == 0 {
		return nil, errors.New("strace saw no write to the history: what it prints is not understood")
	}
	return t.steps, scan.Err()
}

// line takes in one call.
func (t *tracer) line(s string) error {
	if m := traceOpen.FindStringSubmatch(s); m != nil {
		if suffix, ours := t.suffix(m[1]); ours {
			t.fds[m[2]] = suffix
		} else {
			delete(t.fds, m[2])
		}
		return nil
	}
	if m := traceGone.FindStringSubmatch(s); m != nil {
		if suffix, ours := t.suffix(m[1]); ours {
			t.steps = append(t.steps, operation{at: t.now, file: suffix, kind: "remove"})
		}
		return nil
	}
	if m := traceWrite.FindStringSubmatch(s); m != nil {
		return t.write(m[1], m[2], m[3])
	}
	if m := traceFD.FindStringSubmatch(s); m != nil {
		t.descriptor(m[1], m[2], m[3])
	}
	return nil
}

// suffix says which of the history's files a path is. The index beside the log
// (-shm) is made anew at every start.
func (t *tracer) suffix(hexPath string) (string, bool) {
	path, err := unhex(hexPath)
	if err != nil {
		return "", false
	}
	for _, suffix := range []string{"", "-wal", "-journal", "-tail"} {
		if string(path) == t.base+suffix {
			return suffix, true
		}
	}
	return "", false
}

// unhex decodes the way strace -xx writes text.
func unhex(s string) ([]byte, error) { return hex.DecodeString(strings.ReplaceAll(s, `\x`, "")) }

// write takes in a write to a file of ours, or the child's word to its parent.
func (t *tracer) write(fd, text, off string) error {
	suffix, ours := t.fds[fd]
	if !ours && fd != "1" {
		return nil
	}
	data, err := unhex(text)
	if err != nil {
		return fmt.Errorf("strace wrote %.40q: %w", text, err)
	}
	if !ours {
		var told said
		if strings.HasPrefix(string(data), "at ") && told.take(strings.TrimSpace(string(data))) == nil {
			t.now = told.at.Add(stepEvery)
		}
		return nil
	}
	n, err := strconv.ParseInt(off, 10, 64)
	if err != nil {
		return fmt.Errorf("a write without an offset to %s%s", t.base, suffix)
	}
	t.steps = append(t.steps, operation{at: t.now, file: suffix, kind: "write", off: n, data: data})
	return nil
}

// descriptor takes in a call that only names a descriptor.
func (t *tracer) descriptor(call, fd, arg string) {
	suffix, ours := t.fds[fd]
	if !ours {
		return
	}
	switch call {
	case "close":
		delete(t.fds, fd)
	case "ftruncate":
		n, _ := strconv.ParseInt(arg, 10, 64)
		t.steps = append(t.steps, operation{at: t.now, file: suffix, kind: "truncate", off: n})
	default:
		t.steps = append(t.steps, operation{at: t.now, file: suffix, kind: "sync"})
	}
}
