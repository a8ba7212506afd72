package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// disk is a file as it is on the disk, with the operations that are not yet safe.
type disk struct {
	data    []byte
	exists  bool
	pending []operation
}

// apply carries one operation out.
func (d *disk) apply(o operation) {
	switch o.kind {
	case "remove":
		*d = disk{}
	case "truncate":
		d.exists = true
		d.data = append(d.data[:min(int(o.off), len(d.data))], make([]byte, max(0, int(o.off)-len(d.data)))...)
	case "write":
		d.exists = true
		if end := int(o.off) + len(o.data); end > len(d.data) {
			d.data = append(d.data, make([]byte, end-len(d.data))...)
		}
		copy(d.data[o.off:], o.data)
	}
}

// settle makes everything safe that stands before the first operation for which
// keep is true.
func (d *disk) settle(keep func(operation) bool) {
	n := 0
	for n < len(d.pending) && !keep(d.pending[n]) {
		d.apply(d.pending[n])
		n++
	}
	d.pending = d.pending[n:]
}

// tear carries a random part of what is pending out, sector by sector.
func (d *disk) tear(dice *rand.Rand) {
	chance := dice.Float64()
	for _, o := range d.pending {
		if o.kind != "write" {
			if dice.Float64() < chance {
				d.apply(o)
			}
			continue
		}
		for i := 0; i < len(o.data); i += sector {
			if dice.Float64() < chance {
				end := min(i+sector, len(o.data))
				d.apply(operation{kind: "write", off: o.off + int64(i), data: o.data[i:end]})
			}
		}
	}
	d.pending = nil
}

// cut cuts the power at a random operation of the trace and opens the history on
// what the disk holds then.
func (r *result) cut(ctx context.Context, trace []operation, dice *rand.Rand) error {
	at := 1 + dice.IntN(len(trace))
	disks := map[string]*disk{"": {}, "-wal": {}, "-journal": {}, "-tail": {}}
	for _, o := range trace[:at] {
		d := disks[o.file]
		switch o.kind {
		case "sync":
			d.settle(func(operation) bool { return false })
		case "remove":
			// Removing is the file system's own journalled act: it is taken as
			// done, after what was pending is gone with the file.
			d.pending = nil
			d.apply(o)
		default:
			d.pending = append(d.pending, operation{o.at, o.file, o.kind, o.off, slices.Clone(o.data)})
		}
	}
	now := trace[at-1].at
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	for suffix, d := range disks {
		d.settle(func(o operation) bool { return now.Sub(o.at) < writeback })
		d.tear(dice)
		if d.exists {
			if err := os.WriteFile(filepath.Join(dir, historyFile+suffix), d.data, 0o600); err != nil {
				return err
			}
		}
	}
	r.trials++
	return r.lookAfterCut(ctx, dir, now)
}

// lookAfterCut opens the history after a power cut and looks what is there.
func (r *result) lookAfterCut(ctx context.Context, dir string, now time.Time) error {
	s, err := openStore(ctx, dir, now)
	if err != nil {
		return fmt.Errorf("the history after a power cut: %w", err)
	}
	if o := s.Opened(); o.Quarantine != "" {
		r.damaged++
		for _, n := range o.Notes {
			r.say("%s", n)
		}
	}
	last, err := stored(ctx, s)
	if err == nil {
		r.measureLoss(time.Time{}, now.Add(-stepEvery), last) // the step of the cut was not done
		for _, vessel := range missingRises(now, last) {
			r.lostRises++
			r.say("lost the rise of %s at %s", vessel, now.Format("15:04:05"))
		}
	}
	if cerr := s.Close(ctx); err == nil {
		err = cerr
	}
	return err
}
