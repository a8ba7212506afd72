package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// ticksPerSecond is the unit of utime and stime: USER_HZ, 100 on every Linux of
// our machines (proc(5), sysconf(_SC_CLK_TCK)).
const ticksPerSecond = 100

// reading is what the kernel counts for a process.
type reading struct {
	cpu     time.Duration
	rssKB   int64
	written int64 // bytes for the disk: write_bytes of proc(5)
	threads int64
}

// look reads /proc of a process.
func look(pid int) (reading, error) {
	var r reading
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return r, err
	}
	// The name in brackets may hold anything; behind it fields begin with the third.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	if len(fields) < 18 {
		return r, errors.New("/proc/PID/stat has too few fields")
	}
	var n [3]int64
	for i, f := range []string{fields[11], fields[12], fields[17]} {
		if n[i], err = strconv.ParseInt(f, 10, 64); err != nil {
			return r, err
		}
	}
	r.cpu, r.threads = time.Duration(n[0]+n[1])*time.Second/ticksPerSecond, n[2]
	if r.rssKB, err = value(fmt.Sprintf("/proc/%d/status", pid), "VmRSS:"); err != nil {
		return r, err
	}
	r.written, err = value(fmt.Sprintf("/proc/%d/io", pid), "write_bytes:")
	return r, err
}

// value reads one line of a file of names and numbers.
func value(file, name string) (int64, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, name); ok {
			return strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
		}
	}
	return 0, fmt.Errorf("%s has no line %s", file, name)
}
