package main

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"time"

	"tidemark/sensor/sensortest/virtual"
)

// What may grow over a soak: nothing but noise.
const (
	moreGoroutines = 3
	moreHeapBytes  = 3 << 20
)

// soak lets one process watch kitchen days until 72 hours (a day in a short
// campaign) have passed, and looks whether memory and goroutines stay flat: after
// the first day against the end.
func soak(ctx context.Context, s setting) (result, error) {
	r := result{trials: 1}
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return r, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	story := household(dayOf(0))
	d, err := openDay(ctx, dir, story, story.Start, 0)
	if err != nil {
		return r, err
	}
	var got ledger
	d.heard = got.hear
	days := s.pick(2, 4)
	var first usage
	for n := range days {
		day := household(dayOf(n))
		d.story, d.kitchen, d.next = day, virtual.New(day, kitchenSeed), 0
		d.acts = d.kitchen.Acts()
		end := dayOf(n + 1).Add(7 * time.Hour)
		if n == days-1 {
			end = day.Until
		}
		if err := d.run(ctx, end); err != nil {
			return r, err
		}
		if n == 0 {
			first = measure()
		}
	}
	last := measure()
	if err := d.close(ctx); err != nil {
		return r, err
	}
	if err := got.close(ctx, dir); err != nil {
		return r, err
	}
	for n := range days {
		r.lostRises += lostRises(household(dayOf(n)), d.story.Until, got.rises)
	}
	if err := r.gaps(ctx, dir); err != nil {
		return r, err
	}
	r.note = fmt.Sprintf("%.0f kitchen hours; goroutines %d to %d, heap %d to %d kB", d.story.Until.Sub(story.Start).Hours(), first.goroutines, last.goroutines, first.heap>>10, last.heap>>10)
	if last.goroutines > first.goroutines+moreGoroutines {
		r.bad = append(r.bad, fmt.Sprintf("goroutines grew from %d to %d", first.goroutines, last.goroutines))
	}
	if last.heap > first.heap+moreHeapBytes {
		r.bad = append(r.bad, fmt.Sprintf("the heap grew from %d to %d kB", first.heap>>10, last.heap>>10))
	}
	return r, nil
}

// usage is what the process holds.
type usage struct {
	goroutines int
	heap       uint64 // bytes in use after a collection
}

// measure collects garbage and looks.
func measure() usage {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return usage{runtime.NumGoroutine(), m.HeapAlloc}
}
