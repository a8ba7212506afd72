package campaign

import (
	"os"
	"path/filepath"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
)

const (
	stepEvery   = 10 * time.Second // how far apart, in kitchen time, sensors are read
	keepEvery   = time.Minute      // how often samples go to disk, as in the daemon
	kitchenSeed = 7                // chance of sensors and room; the faults have their own
)

// story is that of the demo, with the jar emptied and the tub turned out some minutes
// later: what the household is told just before that would be told or not by the luck
// of a few readings, and no fault could be blamed for either. The tub may be turned out
// still later.
func story(later time.Duration) virtual.Scenario {
	s := virtual.Household(time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC))
	s.Until = s.Until.Add(later)
	for i, a := range s.Events {
		switch {
		case a.Vessel == "jar" && a.Kind == "end":
			s.Events[i].At = a.At.Add(7 * time.Minute)
		case a.Vessel == "tub" && a.Kind == "end":
			s.Events[i].At = a.At.Add(15*time.Minute + later)
		}
	}
	return s
}

// trouble is what may be put into a day from outside. Every part may be nil.
type trouble struct {
	spoil  func(vessel, what string, at time.Time, r sensor.Reading) sensor.Reading
	ahead  func(now time.Time) time.Duration // the wall clock, of the kitchen
	absent []stretch                         // nobody watches: steps are left out
	unread []stretch                         // no sensor is asked
	before func(now time.Time)               // called before every step
	after  func(now time.Time)               // and after it
	raised func(alert.Alarm)
	zone   *time.Location
	routes []alert.Route
	later  time.Duration // the tub is turned out so much
}

// day is one invented day on its way through a watch.
type day struct {
	trouble
	story   virtual.Scenario
	kitchen *virtual.Kitchen
	watch   *watch
	now     time.Time // of the kitchen
	took    int       // events done when it was opened
	next    int       // event to come
	heard   []telling
}

// openDay takes the story up at a moment with the first events already done, over the
// history in dir.
func openDay(dir string, at time.Time, done int, with trouble) *day {
	if with.zone == nil {
		with.zone = time.UTC
	}
	if with.ahead == nil {
		with.ahead = func(time.Time) time.Duration { return 0 }
	}
	d := &day{trouble: with, story: story(with.later), now: at, took: done, next: done}
	d.kitchen = virtual.New(d.story, kitchenSeed)
	d.watch = openWatch(dir, d.story, at, d.ahead(at), d.zone, d.routes)
	return d
}

// run plays the story until a moment of the kitchen.
func (d *day) run(until time.Time) {
	for d.now.Before(until) {
		d.now = d.now.Add(stepEvery)
		d.watch.set(d.now, d.ahead(d.now))
		call(d.before, d.now)
		if !hold(d.absent, d.now) {
			d.step()
		}
	}
}

// call calls what is there to be called.
func call[T any](f func(T), x T) {
	if f != nil {
		f(x)
	}
}

// step does what people do, reads every sensor and moves the watch on.
func (d *day) step() {
	for d.next < len(d.story.Events) && !d.story.Events[d.next].At.After(d.now) {
		// What an earlier process did and had no time to tell of before it was killed is
		// on the page: people do not press again.
		a := d.story.Events[d.next]
		if d.next > d.took || a.Kind != "fold" || !d.watch.shows(a.Kind, a.Vessel, a.At.Add(-stepEvery)) {
			d.watch.act(a.Kind, a.Vessel, "")
		}
		d.next++
	}
	for _, v := range d.story.Vessels {
		read := func(what string, from func(string, time.Time) sensor.Reading) sensor.Reading {
			r := from(v.Name, d.now)
			if d.spoil != nil {
				r = d.spoil(v.Name, what, d.now, r)
			}
			return r
		}
		if !hold(d.unread, d.now) {
			d.watch.observe(v.Name, read("height", d.kitchen.Distance), read("dough", d.kitchen.Dough), read("air", d.kitchen.Air))
		}
	}
	for _, a := range d.watch.advance() {
		d.heard = append(d.heard, telling{warning{a.Vessel, a.Kind}, d.now})
		call(d.raised, a)
	}
	call(d.after, d.now)
	if d.now.Sub(d.story.Start)%keepEvery == 0 {
		d.watch.keep()
	}
}

// ledger is what a day gave: the rises that the history keeps, and the warnings as
// they were heard.
type ledger struct {
	rises []record
	told  []telling
}

// kept are the warnings that the history keeps: the household is told of them, also
// when the process that raised one died before it could say so.
func (l ledger) kept() (out []telling) {
	for _, r := range l.rises {
		for _, a := range r.alarms {
			out = append(out, telling{warning{a.Vessel, a.Kind}, a.FiredAt})
		}
	}
	return out
}

// play plays a whole day with trouble over a folder of its own.
func play(with trouble) ledger {
	dir, remove := tempDir()
	defer remove()
	return playIn(dir, with)
}

// playIn is play over a folder.
func playIn(dir string, with trouble) ledger {
	d := openDay(dir, story(0).Start, 0, with)
	d.run(d.story.Until)
	d.watch.close()
	return ledger{records(dir), d.heard}
}

// stretch is one of time: from, up to until.
type stretch struct{ from, until time.Time }

func (s stretch) holds(at time.Time) bool { return !at.Before(s.from) && at.Before(s.until) }

// hold reports whether a moment is in one of the stretches.
func hold(all []stretch, at time.Time) bool {
	return slices.ContainsFunc(all, func(s stretch) bool { return s.holds(at) })
}

// underWay tells whether a rise was on during the whole of a stretch of the story.
func underWay(vessel string, s stretch) bool {
	on := false
	for _, a := range story(0).Events {
		switch {
		case a.Vessel != vessel:
		case a.At.After(s.from) && a.At.Before(s.until) && (a.Kind == "start" || a.Kind == "end"):
			return false
		case !a.At.After(s.from):
			on = a.Kind != "end"
		}
	}
	return on
}

// tempDir makes a folder, in memory where the system has such: what a disk makes of the
// thousands of syncs of a day is not what is measured here.
func tempDir() (dir string, remove func()) {
	const name = "tidemark-faults-"
	dir, err := os.MkdirTemp("/dev/shm", name)
	if err != nil {
		dir = ok(os.MkdirTemp("", name))
	}
	return dir, func() { _ = os.RemoveAll(dir) }
}

// stamp gives the files of a folder the kitchen's time: by it a watch knows when the
// one before was last alive.
func stamp(dir string, at time.Time) {
	for _, f := range ok(os.ReadDir(dir)) {
		must(os.Chtimes(filepath.Join(dir, f.Name()), at, at))
	}
}

// must ends a campaign that cannot be run: that is no result.
func must(err error) {
	if err != nil {
		panic(err)
	}
}

// ok is must with a value.
func ok[T any](v T, err error) T {
	must(err)
	return v
}
