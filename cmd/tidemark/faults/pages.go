package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"time"

	"tidemark/history"
	"tidemark/web"
)

// pageBytes reads the page size from a file's header: two bytes, big-endian, at
// offset 16 (SQLite, "Database File Format", section 1.3.2).
func pageBytes(file []byte) int { return int(binary.BigEndian.Uint16(file[16:])) }

// damagedPages stops a day in the middle of a rise, writes chance over random
// pages of the history file and goes on. The watch must go on whatever is left.
// What was on a damaged page is lost: the columns for readings and rises count
// what salvage could not bring back of the rises that lay elsewhere.
func damagedPages(ctx context.Context, s setting) (result, error) {
	var r result
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return r, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	story := household(dayOf(0))
	noon := story.Start.Add(8 * time.Hour) // half way up the tub's rise
	var before ledger
	d, err := openDay(ctx, dir, story, story.Start, 0)
	if err != nil {
		return r, err
	}
	d.heard = before.hear
	if err := d.run(ctx, noon); err != nil {
		return r, err
	}
	did := d.next
	if err := d.close(ctx); err != nil {
		return r, err
	}
	whole, err := os.ReadFile(filepath.Join(dir, historyFile))
	if err != nil {
		return r, err
	}
	dice := rand.New(rand.NewPCG(s.seed, 4))
	kept, refused := 0, 0
	for range s.pick(5, 100) {
		r.trials++
		resumed, err := r.damagedDay(ctx, s, damage(whole, dice), noon, did, before)
		if ctx.Err() != nil {
			return r, err
		}
		if err != nil {
			refused++
			r.say("the watch did not go on: %v", err)
		}
		if resumed {
			kept++
		}
	}
	r.note = fmt.Sprintf("watching went on in %d of %d, put aside %d, rise under way kept %d", r.trials-refused, r.trials, r.damaged, kept)
	if refused > 0 {
		r.bad = append(r.bad, fmt.Sprintf("%d times the watch did not go on, bound 0", refused))
	}
	return r, nil
}

// damage overwrites one to eight random pages.
func damage(whole []byte, dice *rand.Rand) []byte {
	out := append([]byte(nil), whole...)
	size := pageBytes(whole)
	for range 1 + dice.IntN(8) {
		page := dice.IntN(len(out) / size)
		for i := range size {
			out[page*size+i] = byte(dice.Uint32())
		}
	}
	return out
}

// damagedDay goes on with a damaged file and tells whether the rise under way was
// taken up.
func (r *result) damagedDay(ctx context.Context, s setting, file []byte, noon time.Time, did int, before ledger) (resumed bool, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("it crashed: %v", p)
		}
	}()
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return false, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	if err := os.WriteFile(filepath.Join(dir, historyFile), file, 0o600); err != nil {
		return false, err
	}
	story := household(dayOf(0))
	d, err := openDay(ctx, dir, story, noon, did)
	if err != nil {
		return false, err
	}
	if d.store.Opened().Quarantine != "" {
		r.damaged++
	}
	resumed = slices.ContainsFunc(d.app.Snapshot().Vessels, func(v web.Vessel) bool { return v.Name == damagedVessel && v.RiseID != 0 })
	got := ledger{warnings: append([]warning(nil), before.warnings...)}
	d.heard = got.hear
	if err := d.run(ctx, story.Until); err != nil {
		return resumed, err
	}
	if err := d.close(ctx); err != nil {
		return resumed, err
	}
	if resumed {
		r.compareKinds(ofVessel(s.plain.warnings, damagedVessel), ofVessel(got.warnings, damagedVessel))
	}
	return resumed, nil
}

// damagedVessel is the one whose rise is under way when the file is damaged. The
// other's has ended; if the page that says so is damaged, it goes on, and warnings
// about it are right.
const damagedVessel = "tub"

// ofVessel keeps the warnings of one vessel.
func ofVessel(all []warning, vessel string) []warning {
	return slices.DeleteFunc(slices.Clone(all), func(w warning) bool { return w.vessel != vessel })
}

// compareKinds counts kinds of warning that were never raised and those that
// belong to no undisturbed day. Raised twice is right here: the note that it was
// raised may have been on a damaged page.
func (r *result) compareKinds(plain, got []warning) {
	for _, w := range plain {
		if !slices.Contains(got, w) {
			r.missed++
			r.say("missed %s of %s", w.kind, w.vessel)
		}
	}
	for _, w := range got {
		if !slices.Contains(plain, w) && !slices.Contains(about(), w.kind) {
			r.falseAlarms++
			r.say("false %s of %s", w.kind, w.vessel)
		}
	}
}

// openStore opens the history of a folder as the service does.
func openStore(ctx context.Context, dir string, now time.Time) (*history.Store, error) {
	return history.Open(ctx, filepath.Join(dir, historyFile), history.Options{Now: func() time.Time { return now }, FlushEvery: 24 * time.Hour})
}

// missingRises names the vessels whose rise people had started and not ended a step
// before now, and of which nothing is left under way.
func missingRises(now time.Time, left map[string]time.Time) []string {
	under := map[string]bool{}
	for _, a := range household(dayOf(0)).Acts {
		switch {
		case a.Event == "end" && !a.At.After(now):
			under[a.Vessel] = false
		case a.Event != "end" && a.At.Before(now.Add(-stepEvery)):
			under[a.Vessel] = true
		}
	}
	var out []string
	for vessel, on := range under {
		if _, there := left[vessel]; on && !there {
			out = append(out, vessel)
		}
	}
	return out
}
